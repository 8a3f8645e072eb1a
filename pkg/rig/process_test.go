package rig_test

import (
	"bufio"
	"errors"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"spindlewright/pkg/rig"
)

// actAs makes the test binary play a test process that starts something, says
// what, and is then killed.
const actAs = "SPINDLEWRIGHT_RIG_ACT"

const limit = 20 * time.Second

func TestActAs(t *testing.T) {
	switch os.Getenv(actAs) {
	case "sleeper":
		p, err := rig.Start(exec.Command("sleep", "600"))
		if err != nil {
			t.Fatal(err)
		}
		say("pid " + strconv.Itoa(p.PID()))
	case "postgresql":
		say("url " + rig.PostgreSQL(t))
	default:
		return // an ordinary run of the tests: nothing to play
	}
	<-t.Context().Done()
}

func say(line string) { _, _ = os.Stdout.WriteString(line + "\n") }

// killed runs the test binary as an actor, reads the line that starts with
// word, kills the actor, and returns the rest of the line.
func killed(t *testing.T, act, word string) string {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestActAs$")
	cmd.Env = append(os.Environ(), actAs+"="+act)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	said := ""
	for lines.Scan() {
		if rest, ok := strings.CutPrefix(lines.Text(), word+" "); ok {
			said = rest
			break
		}
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if said == "" {
		t.Fatalf("the actor %q ended without saying its %s", act, word)
	}
	return said
}

func TestNoProcessOutlivesAKilledTest(t *testing.T) {
	pid, err := strconv.Atoi(killed(t, "sleeper", "pid"))
	if err != nil {
		t.Fatal(err)
	}
	rig.Until(t, limit, func() string {
		if err := syscall.Kill(pid, 0); !errors.Is(err, syscall.ESRCH) && !zombie(pid) {
			return "the started process still runs"
		}
		return ""
	})
}

// zombie tells whether a process has ended and only waits to be collected.
func zombie(pid int) bool {
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return true
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	return strings.HasPrefix(rest, "Z")
}

func TestNoDataOutlivesAKilledTest(t *testing.T) {
	url := rig.PostgreSQL(t) // skips where there is none
	mine := socketFolder(t, url)
	theirs := socketFolder(t, killed(t, "postgresql", "url"))
	if mine == theirs {
		t.Fatalf("two test processes share the server in %s", mine)
	}
	rig.Until(t, limit, func() string {
		if _, err := os.Stat(theirs); !errors.Is(err, os.ErrNotExist) {
			return theirs + " is still there"
		}
		return ""
	})
}

func TestProcessStops(t *testing.T) {
	for _, c := range []struct {
		name, script string
		grace        time.Duration
		wantErr      string
	}{
		{"when asked", `trap 'exit 0' TERM; echo ready; while :; do sleep 0.05; done`, limit, ""},
		{"when it does not listen", `trap '' TERM; echo ready; while :; do sleep 0.05; done`, 200 * time.Millisecond, "did not stop within 200ms"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := startScript(t, c.script)
			err := p.Stop(syscall.SIGTERM, c.grace)
			if (err == nil) != (c.wantErr == "") || err != nil && !strings.Contains(err.Error(), c.wantErr) {
				t.Errorf("Stop: %v, want %q", err, c.wantErr)
			}
			if p.Running() {
				t.Error("the process still runs")
			}
			if err := p.Stop(syscall.SIGTERM, c.grace); err != nil {
				t.Errorf("stopping again: %v", err)
			}
		})
	}
}

// startScript runs a shell script and waits for its line "ready".
func startScript(t *testing.T, script string) *rig.Process {
	t.Helper()
	cmd := exec.Command("/bin/sh", "-c", script)
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout = w
	p, err := rig.Start(cmd)
	_ = w.Close()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Kill(); _ = r.Close() })
	if line, err := bufio.NewReader(r).ReadString('\n'); line != "ready\n" {
		t.Fatalf("the script said %q: %v", line, err)
	}
	return p
}

func TestAwait(t *testing.T) {
	notYet := errors.New("not yet")
	t.Run("ready after some tries", func(t *testing.T) {
		tries := 0
		err := startScript(t, "echo ready; exec sleep 600").Await(limit, func() error {
			if tries++; tries < 4 {
				return notYet
			}
			return nil
		})
		if err != nil || tries != 4 {
			t.Errorf("ready after %d tries: %v", tries, err)
		}
	})
	t.Run("never ready", func(t *testing.T) {
		err := startScript(t, "echo ready; exec sleep 600").Await(50*time.Millisecond, func() error { return notYet })
		if !errors.Is(err, notYet) || !strings.Contains(err.Error(), "not ready within 50ms") {
			t.Errorf("got %v", err)
		}
	})
	t.Run("ended", func(t *testing.T) {
		err := startScript(t, "echo ready; exit 3").Await(limit, func() error { return notYet })
		if !errors.Is(err, notYet) || !strings.Contains(err.Error(), "ended before it was ready") {
			t.Errorf("got %v", err)
		}
	})
}

func TestStartNamesWhatItCannotStart(t *testing.T) {
	_, err := rig.Start(exec.Command("/nowhere/spindle"))
	if !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "/nowhere/spindle") {
		t.Errorf("got %v", err)
	}
}
