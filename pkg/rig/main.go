package rig

import (
	"os"
	"testing"
)

// Main runs the tests of a package and stops the shared servers afterwards. A
// package without it is served too: the servers then end with the process.
//
//	func TestMain(m *testing.M) { rig.Main(m) }
func Main(m *testing.M) {
	code := m.Run()
	stopSharedPostgreSQL()
	stopSharedS3()
	os.Exit(code)
}
