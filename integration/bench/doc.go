// Package bench measures what was promised, each figure beside its limit, and
// the limit in the same run on the same machine. It is a set of benchmarks,
// never of tests: a busy machine must not fail a build.
//
//	go test ./integration/bench -run '^$' -bench . -benchtime 1x -timeout 30m -results integration/bench/RESULTS.md
//
// Without -results the figures are only printed.
package bench
