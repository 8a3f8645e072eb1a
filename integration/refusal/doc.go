// Package refusal sends what makes no sense to a running installation and asks
// of every refusal that it names the field, says what would be right, and left
// nothing behind.
package refusal
