package folder

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func acquire(t *testing.T, path string) *Lock {
	t.Helper()
	lock, err := Acquire(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { lock.Close() })
	return lock
}

func TestSecondHolderIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "deep", "data")
	first := acquire(t, path)

	_, err := Acquire(path)
	var held *HeldError
	if !errors.As(err, &held) || held.PID != os.Getpid() {
		t.Fatalf("got %v, want a HeldError of process %d", err, os.Getpid())
	}
	for _, want := range []string{path, fmt.Sprint(os.Getpid()), "another folder"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	if pid, isHeld, err := Holder(path); err != nil || !isHeld || pid != os.Getpid() {
		t.Errorf("Holder = %d, %v, %v", pid, isHeld, err)
	}

	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if pid, isHeld, err := Holder(path); err != nil || isHeld || pid != 0 {
		t.Errorf("after Close: Holder = %d, %v, %v", pid, isHeld, err)
	}
	acquire(t, path)
}

func TestHolderOfNoFolder(t *testing.T) {
	if pid, held, err := Holder(filepath.Join(t.TempDir(), "none")); pid != 0 || held || err != nil {
		t.Errorf("got %d, %v, %v", pid, held, err)
	}
}

// Tests run as root in CI, where a mode refuses nobody: look at the bits.
func TestModes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data")
	if err := os.Mkdir(path, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(path, LockFile), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	acquire(t, path)
	for name, want := range map[string]os.FileMode{path: 0o700, filepath.Join(path, LockFile): 0o600} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %o, want %o", name, got, want)
		}
	}
}

func TestNoFolderThere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Acquire(path); err == nil {
		t.Error("a file was taken for a data folder")
	}
}

// A killed process must leave nothing behind that keeps the next one out.
func TestKilledHolder(t *testing.T) {
	if path := os.Getenv("FOLDER_TEST_HOLD"); path != "" {
		if _, err := Acquire(path); err != nil {
			t.Fatal(err)
		}
		fmt.Println("held")
		_, _ = io.Copy(io.Discard, os.Stdin) // until killed, or the parent is gone
		return
	}
	path := t.TempDir()
	child := exec.Command(os.Args[0], "-test.run=^TestKilledHolder$")
	child.Env = append(os.Environ(), "FOLDER_TEST_HOLD="+path)
	if _, err := child.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	for lines := bufio.NewScanner(out); lines.Scan() && lines.Text() != "held"; {
	}
	_, err = Acquire(path)
	var held *HeldError
	if !errors.As(err, &held) || held.PID != child.Process.Pid {
		t.Errorf("while the child lives: got %v, want its pid %d", err, child.Process.Pid)
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = child.Wait() // says "killed"
	acquire(t, path)
}
