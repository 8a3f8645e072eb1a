package rig_test

import (
	"os/exec"
	"strings"
	"testing"

	"spindlewright/pkg/rig"
)

func TestBinaryIsTheProgramAtHand(t *testing.T) {
	path := rig.Binary(t)
	out, err := exec.Command(path, "version").CombinedOutput()
	if err != nil || !strings.Contains(string(out), "spindlewright") {
		t.Errorf("%s version: %v\n%s", path, err, out)
	}
	if again := rig.Binary(t); again != path {
		t.Errorf("built twice: %s and %s", path, again)
	}
}
