package rig

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
)

// module is the first line of the project's go.mod.
const module = "module spindlewright\n"

// builds remembers what this test process has built already.
var builds sync.Map // output path -> *build

type build struct {
	once sync.Once
	err  error
}

// Binary gives the path of the wright binary, built from the source at hand.
func Binary(t testing.TB) string {
	t.Helper()
	return mustBuild(t, "wright", "", "./services/wright")
}

// mustBuild builds a main package of a module of the repository (dir under the
// root, "" for the project itself) and gives the path of the program.
func mustBuild(t testing.TB, name, dir, pkg string) string {
	t.Helper()
	path, err := goBuild(name, dir, pkg)
	if err != nil {
		t.Fatalf("build %s: %v", name, err)
	}
	return path
}

// goBuild builds a program of the project into the work tree (bin/ is ignored),
// and servers of other modules into the user's cache folder under their
// versions. go build finds them up to date the next time. Flags are the ones
// that tests are built with: others would fill the build cache twice.
func goBuild(name, dir, pkg string) (string, error) {
	root, err := repository()
	if err != nil {
		return "", err
	}
	out := filepath.Join(root, "bin", "rig", name)
	if !strings.HasPrefix(pkg, "./") {
		if out, err = cachePath(filepath.Join(root, dir, "go.sum"), name); err != nil {
			return "", err
		}
	}
	if err := os.MkdirAll(filepath.Dir(out), 0o755); err != nil {
		return "", err
	}
	entry, _ := builds.LoadOrStore(out, &build{})
	b := entry.(*build)
	b.once.Do(func() { b.err = compile(out, filepath.Join(root, dir), pkg) })
	return out, b.err
}

// cachePath names a folder after the versions of everything that is built in,
// so that work trees at different versions do not run each other's servers.
func cachePath(sums, name string) (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("no folder to keep built programs in: %w", err)
	}
	text, err := os.ReadFile(sums)
	if err != nil {
		return "", err
	}
	return filepath.Join(cache, "spindlewright-rig", fmt.Sprintf("%s-%x", name, sha256.Sum256(text))[:len(name)+9], name), nil
}

func compile(out, dir, pkg string) error {
	unlock, err := lock(out + ".lock")
	if err != nil {
		return err
	}
	defer unlock()
	cmd := exec.Command("go", "build", "-buildvcs=false", "-o", out, pkg)
	cmd.Dir = dir
	if text, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("%w\n%s", err, text)
	}
	return nil
}

// lock holds a file against other test processes that build the same program.
func lock(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return func() { _ = f.Close() }, nil
}

// repository finds the root of the project from the folder the test runs in.
func repository() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		text, err := os.ReadFile(filepath.Join(dir, "go.mod"))
		if err == nil && strings.HasPrefix(string(text), module) {
			return dir, nil
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			return "", errors.New("the test does not run inside the repository: no go.mod of module spindlewright above it")
		}
		dir = parent
	}
}
