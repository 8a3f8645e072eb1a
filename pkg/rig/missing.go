package rig

import (
	"os"
	"os/exec"
	"testing"
)

// missing ends the test: where CI=true it fails, because CI installs what the
// tests need; elsewhere it skips with one line that says what to install.
func missing(t testing.TB, what, remedy string) {
	t.Helper()
	if failsOnMissing(os.Getenv("CI")) {
		t.Fatalf("%s is missing, and CI=true forbids skipping: %s", what, remedy)
	}
	t.Skipf("skipped: %s is missing: %s", what, remedy)
}

// failsOnMissing tells whether a value of CI asks for failing.
func failsOnMissing(ci string) bool { return ci == "true" }

// Tool gives the path of a program that the machine must have, and ends the
// test like every missing thing when it has not. pack is its Debian package.
func Tool(t testing.TB, name, pack string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, "the program "+name, "install it (Debian: apt-get install "+pack+")")
	}
	return path
}
