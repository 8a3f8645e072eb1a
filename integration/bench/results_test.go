package bench

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"testing"
	"time"

	"spindlewright/pkg/rig"
)

var resultsFile = flag.String("results", "", "write the figures as a table into this file")

// figure is one measured number beside its limit.
type figure struct {
	what string
	ours float64
	// limit the figure is held to, and whether it must be at least (else at most) that.
	limit   float64
	atLeast bool
	unit    string
	// how the limit came about, in the same run.
	note string
}

func (f figure) met() bool {
	if f.atLeast {
		return f.ours >= f.limit
	}
	return f.ours <= f.limit
}

var (
	figuresMu sync.Mutex
	figures   []figure
)

// record notes a figure and shows it with the benchmark's own.
func record(b *testing.B, f figure) {
	b.Helper()
	figuresMu.Lock()
	figures = append(figures, f)
	if *resultsFile != "" { // after each, so that a later failure loses none
		if err := os.WriteFile(*resultsFile, table(), 0o644); err != nil {
			b.Error(err)
		}
	}
	figuresMu.Unlock()
	b.ReportMetric(f.ours, "ours")
	b.ReportMetric(f.limit, "limit")
	b.Logf("%s: %s %s, limit %s (%s): %s", f.what, digits(f.ours), f.unit, digits(f.limit), f.note, verdict(f))
}

func verdict(f figure) string {
	if f.met() {
		return "met"
	}
	return "NOT MET"
}

func digits(v float64) string {
	switch {
	case v >= 1000:
		return fmt.Sprintf("%.0f", v)
	case v >= 100:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.3g", v)
}

func TestMain(m *testing.M) { rig.Main(m) }

func table() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Measured\n\n%s. Commit %s. Made by\n\n```\n%s\n```\n\n", machine(), commit(),
		"go test ./integration/bench -run '^$' -bench . -benchtime 1x -timeout 30m -results integration/bench/RESULTS.md")
	b.WriteString("Each limit was measured, or stands as promised, in the same run. On a shared machine expect 30 % either way.\n\n")
	b.WriteString("| what | measured | limit | unit | where the limit comes from | |\n|---|---:|---:|---|---|---|\n")
	for _, f := range figures {
		sign := "at most "
		if f.atLeast {
			sign = "at least "
		}
		fmt.Fprintf(&b, "| %s | %s | %s%s | %s | %s | %s |\n", f.what, digits(f.ours), sign, digits(f.limit), f.unit, f.note, verdict(f))
	}
	return b.Bytes()
}

func machine() string {
	model := "unknown processor"
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for _, line := range strings.Split(string(text), "\n") {
			if name, ok := strings.CutPrefix(line, "model name"); ok {
				model = strings.TrimSpace(strings.TrimLeft(name, "\t :"))
				break
			}
		}
	}
	return fmt.Sprintf("%s, %d x %s, %s/%s, %s", time.Now().UTC().Format(time.DateOnly), runtime.NumCPU(), model, runtime.GOOS, runtime.GOARCH, runtime.Version())
}

func commit() string {
	if out, err := exec.Command("git", "rev-parse", "--short", "HEAD").Output(); err == nil {
		return strings.TrimSpace(string(out))
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unknown"
}
