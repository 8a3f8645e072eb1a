package main

import (
	"context"
	"fmt"

	"spindlewright/pkg/telemetry"
	"spindlewright/services/run"
)

// ServeCommand runs modules until the context ends.
type ServeCommand struct {
	Only     []string     `arg:"" optional:"" name:"module" help:"Modules to run: bus, access, intake, reliability; none named means --modules."`
	Settings run.Settings `embed:""`
}

// Run serves and then stops gracefully.
func (c *ServeCommand) Run(ctx context.Context, io IO) error {
	settings := c.Settings
	if len(c.Only) > 0 {
		settings.Modules = c.Only
	}
	if _, err := run.Arrange(settings); err != nil {
		return usageError{err}
	}
	log := telemetry.NewLog(telemetry.LogConfig{Out: io.Err, Level: settings.LogLevel, Format: settings.LogFormat, Terminal: io.Terminal})
	site, err := run.Start(ctx, run.Config{Settings: settings, Log: log})
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintln(io.Out, site.Summary()); err != nil {
		log.Warn("nobody reads what serve prints", "error", err)
	}
	<-ctx.Done()
	log.Info("stopping", "why", context.Cause(ctx), "deadline", settings.ShutdownDeadline.String())
	bounded, cancel := context.WithTimeout(context.Background(), settings.ShutdownDeadline)
	defer cancel()
	return site.Close(bounded)
}
