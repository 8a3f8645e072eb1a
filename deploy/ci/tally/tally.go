package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// event is a line of `go test -json`; see `go doc test2json`.
type event struct {
	Action, Package, Test, Output string
	ImportPath                    string // of build output
	Elapsed                       float64
}

type counts struct{ passed, failed, skipped int }

// tally follows a run.
type tally struct {
	out      io.Writer
	counts   counts
	printed  map[string][]string // output of tests and packages that still run
	skips    []string
	packages []timed
	broken   []string // packages that failed or did not build
}

type timed struct {
	name    string
	seconds float64
}

func newTally(out io.Writer) *tally {
	return &tally{out: out, printed: map[string][]string{}}
}

// line takes one line; what is not an event is passed on.
func (t *tally) line(line []byte) {
	var e event
	if err := json.Unmarshal(line, &e); err != nil || e.Action == "" {
		_, _ = t.out.Write(line)
		return
	}
	switch e.Action {
	case "build-output":
		fmt.Fprint(t.out, e.Output)
	case "output":
		id := e.Package + " " + e.Test
		t.printed[id] = append(t.printed[id], e.Output)
	case "pass", "fail", "skip":
		t.ended(e)
	}
}

func (t *tally) ended(e event) {
	id := e.Package + " " + e.Test
	printed := t.printed[id]
	delete(t.printed, id)
	if e.Test == "" {
		t.packageEnded(e, printed)
		return
	}
	switch e.Action {
	case "pass":
		t.counts.passed++
	case "skip":
		t.counts.skipped++
		t.skips = append(t.skips, fmt.Sprintf("%s.%s: %s", e.Package, e.Test, reason(printed)))
	case "fail":
		t.counts.failed++
		fmt.Fprint(t.out, strings.Join(printed, ""))
	}
}

// packageEnded prints the line that `go test` prints of a package, and all that
// a failed one said outside its tests (a panic, a race, a time-out).
func (t *tally) packageEnded(e event, printed []string) {
	t.packages = append(t.packages, timed{e.Package, e.Elapsed})
	if e.Action == "fail" {
		t.broken = append(t.broken, e.Package)
		t.unfinished(e.Package)
		fmt.Fprint(t.out, strings.Join(printed, ""))
		return
	}
	for _, line := range printed {
		if strings.HasPrefix(line, "ok ") || strings.HasPrefix(line, "?") {
			fmt.Fprint(t.out, line)
		}
	}
}

// unfinished prints what tests had said that were running when their package
// ended: one of them is why.
func (t *tally) unfinished(pkg string) {
	for _, id := range sorted(t.printed) {
		if strings.HasPrefix(id, pkg+" ") {
			fmt.Fprint(t.out, strings.Join(t.printed[id], ""))
			delete(t.printed, id)
		}
	}
}

func sorted(m map[string][]string) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// reason is what a skipped test said, without the marks of the runner.
func reason(printed []string) string {
	for _, line := range printed {
		line = strings.TrimSpace(line)
		if line != "" && !strings.HasPrefix(line, "=== ") && !strings.HasPrefix(line, "--- ") {
			return line
		}
	}
	return "no reason given"
}

// slowest is how many packages are named at the end.
const slowest = 8

func (t *tally) close() {
	slices.SortStableFunc(t.packages, func(a, b timed) int { return cmp.Compare(b.seconds, a.seconds) })
	fmt.Fprintln(t.out, "slowest packages:")
	for _, p := range t.packages[:min(slowest, len(t.packages))] {
		fmt.Fprintf(t.out, "  %6.1f s  %s\n", p.seconds, p.name)
	}
	fmt.Fprintf(t.out, "skipped tests: %d\n", len(t.skips))
	for _, s := range t.skips {
		fmt.Fprintln(t.out, "  "+s)
	}
	fmt.Fprintf(t.out, "%d passed, %d failed, %d skipped\n", t.counts.passed, t.counts.failed, t.counts.skipped)
}

func (t *tally) verdict() error {
	switch {
	case len(t.broken) > 0:
		return fmt.Errorf("failed: %s", strings.Join(t.broken, " "))
	case t.counts.failed > 0:
		return fmt.Errorf("%d tests failed", t.counts.failed)
	case t.counts.passed == 0:
		return errors.New("no test ran")
	}
	return nil
}
