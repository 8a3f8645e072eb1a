package bench

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"spindlewright/pkg/rig"
)

// BenchmarkImportInProcess is a tenth of the import with the services in this
// process, for -cpuprofile.
func BenchmarkImportInProcess(b *testing.B) {
	n := open(b, "")
	if _, err := n.CaughtUp(b.Context()); err != nil {
		b.Fatal(err)
	}
	file := filepath.Join(b.TempDir(), "history.csv")
	if err := writeHistory(file, 10_000, 10); err != nil {
		b.Fatal(err)
	}
	token := filepath.Join(b.TempDir(), "token")
	if err := os.WriteFile(token, []byte(n.cast.Steward), 0o600); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	start := time.Now()
	if out, err := exec.Command(rig.Binary(b), "import", file, "--to", n.Addr, "--token-file", token).CombinedOutput(); err != nil {
		b.Fatalf("import: %v\n%s", err, out)
	}
	sent := time.Since(start)
	if _, err := n.CaughtUp(b.Context()); err != nil {
		b.Fatal(err)
	}
	b.Logf("sent in %v, all in %v", sent, time.Since(start))
}
