package main

import (
	"fmt"

	"spindlewright/pkg/telemetry"
)

// VersionCommand says which software this is.
type VersionCommand struct{}

// Run prints it.
func (c *VersionCommand) Run(io IO) error {
	_, err := fmt.Fprintln(io.Out, telemetry.ReadBuild())
	return err
}
