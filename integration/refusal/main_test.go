package refusal

import (
	"testing"

	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }
