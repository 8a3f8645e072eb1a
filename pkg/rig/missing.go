package rig

import (
	"os"
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
