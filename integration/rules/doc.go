// Package rules keeps the shape of the repository: which package may import
// which, that every package says what it is, and that no file grows out of
// hand. The rules are the data in table_test.go, each row with its reason; a row
// that no longer decides anything fails too, so that the table stays true.
//
// The tests read the source themselves instead of asking `go list`: go test then
// knows which files a cached result rests on.
package rules
