// Package arrangement holds the promise that only addresses differ between one
// process and many: the same story gives the same rows.
package arrangement
