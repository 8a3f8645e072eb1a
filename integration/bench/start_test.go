package bench

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"spindlewright/integration/fleet"
)

// BenchmarkStart: from the start of the process on an empty folder until it
// answers, and what it keeps resident when idle.
func BenchmarkStart(b *testing.B) {
	var times []time.Duration
	var resident float64
	for range 5 {
		f := fleet.New(b, fleet.Plan{Whole: true})
		m := f.Member("whole-1")
		start := time.Now()
		if err := m.Start(); err != nil {
			b.Fatal(err)
		}
		times = append(times, time.Since(start))
		time.Sleep(2 * time.Second) // idle
		resident = max(resident, memory(b, m.PID(), "VmRSS"))
		if err := m.Kill(); err != nil {
			b.Fatal(err)
		}
	}
	record(b, figure{"start to serving on an empty folder, median of 5", quantile(times, 0.5).Seconds(), 1.5, false, "s", "as promised"})
	record(b, figure{"resident when idle, largest of 5", resident, 200, false, "MB", "as promised"})
}

// memory reads a process's figure, in MB (10^6 bytes).
func memory(b *testing.B, pid int, field string) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	if err != nil {
		b.Fatal(err)
	}
	for _, line := range strings.Split(string(text), "\n") {
		if rest, ok := strings.CutPrefix(line, field+":"); ok {
			kib, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 64)
			if err != nil {
				b.Fatal(err)
			}
			return kib * 1024 / 1e6
		}
	}
	b.Fatalf("no %s for process %d", field, pid)
	return 0
}
