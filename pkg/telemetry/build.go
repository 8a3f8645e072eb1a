package telemetry

import (
	"fmt"
	"runtime/debug"
)

// Build says which software this is.
type Build struct {
	// Version of the module: a release, or derived from the commit; "(devel)"
	// when built outside version control.
	Version string
	// Commit and whether the tree was changed since.
	Commit   string
	Modified bool
	Go       string
}

// ReadBuild reads what the Go tool stamped into the executable.
func ReadBuild() Build {
	b := Build{Version: "(devel)"}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	b.Go = info.GoVersion
	if info.Main.Version != "" {
		b.Version = info.Main.Version
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Commit = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
}

func (b Build) String() string {
	text := fmt.Sprintf("spindlewright %s, %s", b.Version, b.Go)
	if b.Commit != "" {
		text += ", commit " + b.Commit
	}
	if b.Modified {
		text += " with changes"
	}
	return text
}
