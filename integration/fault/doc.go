// Package fault breaks a running installation on purpose and holds it to its
// promise: every command that was acknowledged is there exactly once, and what
// was derived from events equals what a rebuild from the archives gives.
package fault
