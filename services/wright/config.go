package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/alecthomas/kong"

	"spindlewright/services/run"
)

// ConfigCommand prints the settings in force, or checks a file.
type ConfigCommand struct {
	Check     string       `name:"check" type:"path" placeholder:"FILE" help:"Check a settings file instead, without using it."`
	Reference bool         `name:"reference" help:"Describe every setting instead, as a Markdown table."`
	YAML      bool         `name:"yaml" help:"Print as a settings file."`
	Settings  run.Settings `embed:""`
}

// Run prints or checks.
func (c *ConfigCommand) Run(parsed *kong.Context, sources *run.Sources, io IO) error {
	if c.Check != "" {
		if err := run.CheckFile(c.Check); err != nil {
			return usageError{err}
		}
		_, err := fmt.Fprintf(io.Out, "%s: ok\n", c.Check)
		return err
	}
	if c.Reference {
		table, err := run.Reference()
		if err != nil {
			return err
		}
		_, err = fmt.Fprint(io.Out, table)
		return err
	}
	list, err := sources.Explain(parsed)
	if err != nil {
		return err
	}
	if c.YAML {
		return printYAML(io, list)
	}
	w := tabwriter.NewWriter(io.Out, 0, 4, 2, ' ', 0)
	_, _ = fmt.Fprintln(w, "SETTING\tVALUE\tFROM")
	for _, s := range list {
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\n", s.Key, orDash(s.Value), s.From)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if _, err := run.Arrange(c.Settings); err != nil {
		return usageError{fmt.Errorf("these settings do not start: %w", err)}
	}
	return nil
}

// printYAML writes settings that differ from their default; masked secrets
// are left out, for they would not work.
func printYAML(io IO, list []run.InForce) error {
	for _, s := range list {
		if s.From == "default" || s.Key == "config_file" {
			continue
		}
		line := fmt.Sprintf("%s: %q\n", s.Key, s.Value)
		if strings.Contains(s.Value, "xxxxx") {
			line = fmt.Sprintf("# %s: holds a secret, set it in the environment\n", s.Key)
		}
		if _, err := fmt.Fprint(io.Out, line); err != nil {
			return err
		}
	}
	return nil
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
