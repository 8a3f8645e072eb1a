package rig

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
)

// recorder is a testing.TB that notes how the test ended.
type recorder struct {
	testing.TB
	ended, text string
}

func (r *recorder) Helper() {}

func (r *recorder) Fatalf(format string, args ...any) { r.end("failed", format, args) }
func (r *recorder) Skipf(format string, args ...any)  { r.end("skipped", format, args) }

func (r *recorder) end(how, format string, args []any) {
	r.ended, r.text = how, fmt.Sprintf(format, args...)
	runtime.Goexit()
}

func TestMissing(t *testing.T) {
	for _, c := range []struct{ name, ci, want string }{
		{"in CI", "true", "failed"},
		{"at a desk", "", "skipped"},
		{"with CI switched off", "false", "skipped"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv("CI", c.ci)
			r := &recorder{TB: t}
			done := make(chan struct{})
			go func() {
				defer close(done)
				missing(r, "a lathe", "buy one")
			}()
			<-done
			if r.ended != c.want {
				t.Errorf("the test %s, want %s", r.ended, c.want)
			}
			if !strings.Contains(r.text, "a lathe is missing") || !strings.Contains(r.text, "buy one") || strings.Contains(r.text, "\n") {
				t.Errorf("says %q, want one line with what is missing and the remedy", r.text)
			}
		})
	}
}
