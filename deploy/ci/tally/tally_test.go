package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const (
	passes = `{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Test":"TestA","Output":"said in passing\n"}
{"Action":"pass","Package":"p","Test":"TestA","Elapsed":0.1}
{"Action":"output","Package":"p","Output":"ok  \tp\t0.2s\n"}
{"Action":"pass","Package":"p","Elapsed":0.2}
`
	skips = `{"Action":"output","Package":"p","Test":"TestS","Output":"=== RUN   TestS\n"}
{"Action":"output","Package":"p","Test":"TestS","Output":"    x_test.go:3: skipped: PostgreSQL is missing\n"}
{"Action":"output","Package":"p","Test":"TestS","Output":"--- SKIP: TestS (0.00s)\n"}
{"Action":"skip","Package":"p","Test":"TestS"}
`
	fails = `{"Action":"output","Package":"q","Test":"TestF","Output":"    q_test.go:9: got 1, want 2\n"}
{"Action":"fail","Package":"q","Test":"TestF"}
{"Action":"output","Package":"q","Output":"FAIL\tq\t0.1s\n"}
{"Action":"fail","Package":"q","Elapsed":0.1}
`
	panics = `{"Action":"output","Package":"q","Test":"TestP","Output":"panic: out of grease\n"}
{"Action":"output","Package":"q","Output":"FAIL\tq\t0.1s\n"}
{"Action":"fail","Package":"q","Elapsed":0.1}
`
	unbuilt = `{"ImportPath":"r","Action":"build-output","Output":"r.go:1:1: expected package\n"}
{"ImportPath":"r","Action":"build-fail"}
{"Action":"output","Package":"r","Output":"FAIL\tr [build failed]\n"}
{"Action":"fail","Package":"r","Elapsed":0,"FailedBuild":"r"}
`
)

func TestTally(t *testing.T) {
	for _, c := range []struct {
		name, in string
		want     []string
		without  string
		err      string
	}{
		{"passing", passes, []string{"ok  \tp\t0.2s\n", "skipped tests: 0\n1 passed, 0 failed, 0 skipped\n"}, "said in passing", ""},
		{"skipping is never silent", passes + skips, []string{"skipped tests: 1\n", "p.TestS: x_test.go:3: skipped: PostgreSQL is missing\n", "1 passed, 0 failed, 1 skipped\n"}, "--- SKIP", ""},
		{"failing", passes + fails, []string{"got 1, want 2", "FAIL\tq\t0.1s", "1 passed, 1 failed, 0 skipped\n"}, "", "failed: q"},
		{"panicking", passes + panics, []string{"panic: out of grease", "FAIL\tq"}, "", "failed: q"},
		{"not building", passes + unbuilt, []string{"expected package", "r [build failed]"}, "", "failed: r"},
		{"running nothing", "", []string{"0 passed, 0 failed, 0 skipped\n"}, "", "no test ran"},
		{"something else on the stream", "go: no such tool\n" + passes, []string{"go: no such tool\n"}, "", ""},
		{"a last line without end", strings.TrimSuffix(passes, "\n"), []string{"1 passed"}, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out strings.Builder
			err := run(strings.NewReader(c.in), &out, "")
			if (err == nil) != (c.err == "") || err != nil && err.Error() != c.err {
				t.Errorf("verdict %v, want %q", err, c.err)
			}
			for _, want := range c.want {
				if !strings.Contains(out.String(), want) {
					t.Errorf("does not print %q:\n%s", want, out.String())
				}
			}
			if c.without != "" && strings.Contains(out.String(), c.without) {
				t.Errorf("prints %q:\n%s", c.without, out.String())
			}
		})
	}
}

func TestCountsAddUpInAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "counts")
	for _, in := range []string{passes, passes + skips, fails} {
		_ = run(strings.NewReader(in), &strings.Builder{}, path)
	}
	got, err := os.ReadFile(path)
	if want := "1 0 0\n1 0 1\n0 1 0\n"; err != nil || string(got) != want {
		t.Errorf("file holds %q, want %q (%v)", got, want, err)
	}
}
