package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
	"github.com/mattn/go-isatty"

	"spindlewright/pkg/failpoint"
	"spindlewright/services/run"
)

// commandLine is the whole command line.
type commandLine struct {
	Serve   ServeCommand   `cmd:"" help:"Run all modules, or the named ones, until told to stop."`
	Demo    DemoCommand    `cmd:"" help:"Show the whole network at work on invented shops and history."`
	Import  ImportCommand  `cmd:"" help:"Take in a repair history from a CSV file."`
	Query   QueryCommand   `cmd:"" help:"Ask for failure modes or mean time between repair."`
	Token   TokenCommand   `cmd:"" help:"Issue and revoke tokens; say where the first one is."`
	Config  ConfigCommand  `cmd:"" help:"Print the settings in force and where each came from."`
	Doctor  DoctorCommand  `cmd:"" help:"Look a data folder and a running site over; say what to do."`
	Replay  ReplayCommand  `cmd:"" help:"Derive a service's read model again from the archives."`
	Parked  ParkedCommand  `cmd:"" help:"List, retry or skip events that could not be applied."`
	Epoch   EpochCommand   `cmd:"" help:"Begin a new epoch of a service after a restore."`
	Audit   AuditCommand   `cmd:"" help:"Show denials, overrides and operators' decisions."`
	Version VersionCommand `cmd:"" help:"Say which software this is."`
}

func main() {
	ctx, stop := interruptible(context.Background())
	defer stop()
	code := execute(ctx, os.Args[1:], IO{
		Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv, Environ: os.Environ,
		Terminal: isatty.IsTerminal(os.Stderr.Fd()), Self: self(os.Args[0]),
	})
	stop()
	os.Exit(code)
}

// interruptible gives a context that ends at the first SIGINT or SIGTERM. The
// second signal ends the process at once.
func interruptible(parent context.Context) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(parent)
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	done := make(chan struct{})
	go func() {
		select {
		case s := <-signals:
			cancel(interrupted{s})
		case <-done:
			return
		}
		select {
		case <-signals:
			os.Exit(exitInterrupted)
		case <-done:
		}
	}()
	var stopped bool
	return ctx, func() {
		if !stopped {
			stopped = true
			signal.Stop(signals)
			close(done)
			cancel(nil)
		}
	}
}

type interrupted struct{ signal os.Signal }

func (i interrupted) Error() string { return "stopped by signal: " + i.signal.String() }

// execute parses and runs one command line and gives the exit code.
func execute(ctx context.Context, args []string, io IO) int {
	var line commandLine
	sources := &run.Sources{Getenv: io.Getenv}
	exited := -1
	parser, err := kong.New(&line,
		kong.Name("wright"),
		kong.Description("Spindlewright: one backend for a network of spindle-rebuild workshops. "+
			"Exit codes: 0 done, 1 not done, 2 wrong command line or settings, 3 refused by the server, 4 no answer, 130 interrupted."),
		kong.Resolvers(sources),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 110}),
		kong.ValueFormatter(withVariable),
		kong.Writers(io.Out, io.Err),
		kong.Exit(func(code int) { exited = code }),
		kong.Bind(io, sources),
		kong.BindTo(ctx, (*context.Context)(nil)),
	)
	if err != nil {
		complain(io, err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		complain(io, err)
		var p *kong.ParseError
		if errors.As(err, &p) && p.Context.Selected() != nil {
			_, _ = fmt.Fprintf(io.Err, "  see: wright %s --help\n", p.Context.Selected().Path())
		}
		return exitUsage
	}
	if err := pointOut(io, parser.Model); err != nil {
		complain(io, err)
		return exitFailed
	}
	if err := parsed.Run(parsed); err != nil {
		complain(io, err)
		return exitCode(ctx, err)
	}
	return exitDone
}

// pointOut names variables that nothing reads, which are usually misspelt.
func pointOut(io IO, app *kong.Application) error {
	if io.Environ == nil {
		return nil
	}
	read := []string{failpoint.Variable}
	for _, command := range app.Leaves(true) {
		for _, group := range command.AllFlags(true) {
			for _, f := range group {
				read = append(read, run.EnvName(f.Name))
			}
		}
	}
	strangers, err := run.Strangers(io.Environ(), read...)
	for _, s := range strangers {
		_, _ = fmt.Fprintln(io.Err, "wright: "+s)
	}
	return err
}

// withVariable adds the environment variable to the help of a setting.
func withVariable(v *kong.Value) string {
	help := kong.DefaultHelpValueFormatter(v)
	if v.Flag == nil || v.Flag.Group == nil {
		return help
	}
	return help + " ($" + run.EnvName(v.Name) + ")"
}
