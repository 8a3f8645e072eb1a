// Command tally reads the output of `go test -json` and prints what a person
// wants of it: a line per package, the full output of what failed, the tests
// that were skipped with their reasons, the slowest packages, and a closing
// line that counts.
//
//	go test -json ./... | tally [-add counts]
//
// With -add the counts are appended to a file as "passed failed skipped", so
// that a log can close with the sum over several runs. A skipped test is never
// silent, and the exit code is 1 when anything failed or no test ran.
package main
