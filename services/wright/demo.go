package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc"

	"spindlewright/pkg/clock"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
	"spindlewright/pkg/telemetry"
	"spindlewright/services/run"
	"spindlewright/services/wright/history"
)

// DemoCommand runs an invented network from its history to its figures.
type DemoCommand struct {
	Exit      bool   `name:"exit" help:"End after printing instead of serving on."`
	Data      string `name:"data" type:"path" placeholder:"DIR" help:"Keep everything in this folder, which must be empty or new; default a temporary one that is removed."`
	Truth     bool   `name:"truth" help:"Print what the invented history was made of beside what was estimated from it."`
	Listen    string `name:"listen" default:"127.0.0.1:7420" placeholder:"ADDR" help:"Address of the gRPC listener."`
	OpsListen string `name:"ops-listen" default:"127.0.0.1:7421" placeholder:"ADDR" help:"Address of the operator's HTTP listener."`
	History   string `name:"history" type:"path" placeholder:"FILE" help:"Only write the invented history to this file, for wright import, and end."`
	Hostile   bool   `name:"hostile" help:"With --history: write a file as bad as they come, with rows that no import may take."`
	Scale     int    `name:"scale" default:"1" help:"With --history: how many times as many spindles; 1 gives about 14,000 rows."`
	LogLevel  string `name:"log-level" enum:"debug,info,warn,error" default:"error" help:"What the services say on the error output: debug, info, warn or error."`
}

// The demo's clock begins after the last day of the history and ends here.
var (
	demoBegins = time.Date(2026, time.July, 1, 5, 0, 0, 0, time.UTC)
	demoEnds   = time.Date(2026, time.July, 31, 18, 0, 0, 0, time.UTC)
)

// demoNumber names the invented history; another number gives another network
// of the same kind.
const demoNumber = 1

// demo is a demonstration under way.
type demo struct {
	out   IO
	site  *run.Site
	clock *clock.Manual
	data  string
	past  *history.History

	conns       []*grpc.ClientConn
	access      accessv1.AccessServiceClient
	intake      intakev1.IntakeServiceClient
	reliability reliabilityv1.ReliabilityServiceClient
	upkeep      map[string]upkeepv1.UpkeepServiceClient

	// asked counts the commands sent, and so names them.
	asked     int
	operator  *demoPerson
	steward   *demoPerson
	engineer  *demoPerson
	customer  *demoPerson
	shops     map[string]*demoShop
	customers map[string]string
	models    map[string]*intakev1.SpindleModel
	road      *intakev1.ListStagesResponse
	jobs      []*job
}

// Run starts the site, fills it, prints and serves on.
func (c *DemoCommand) Run(ctx context.Context, out IO) (err error) {
	if c.History != "" {
		return c.writeHistory()
	}
	folder, remove, err := c.folder()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, remove()) }()
	settings, err := c.settings(folder)
	if err != nil {
		return err
	}
	d := &demo{out: out, data: folder, clock: clock.NewManual(demoBegins)}
	d.site, err = run.Start(ctx, run.Config{Settings: settings, Clock: d.clock, Log: telemetry.NewLog(
		telemetry.LogConfig{Out: out.Err, Level: c.LogLevel, Format: "text", Terminal: out.Terminal})})
	if err != nil {
		return err
	}
	defer func() {
		bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		err = errors.Join(err, d.close(bounded))
	}()
	if err := d.live(ctx, c.Truth); err != nil {
		return err
	}
	if c.Exit {
		return nil
	}
	if err := d.invite(ctx, c.Data != ""); err != nil {
		return err
	}
	<-ctx.Done()
	return nil
}

func (c *DemoCommand) settings(folder string) (run.Settings, error) {
	s, err := run.Defaults()
	s.Data, s.Listen, s.OpsListen, s.BusListen = folder, c.Listen, c.OpsListen, "127.0.0.1:0"
	if c.Exit {
		s.Listen, s.OpsListen = "127.0.0.1:0", "127.0.0.1:0"
	}
	return s, err
}

// folder makes the data folder and says how to be rid of it.
func (c *DemoCommand) folder() (path string, remove func() error, err error) {
	if c.Data == "" {
		path, err = os.MkdirTemp("", "wright-demo-")
		return path, func() error { return os.RemoveAll(path) }, err
	}
	entries, err := os.ReadDir(c.Data)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", nil, err
	}
	if len(entries) > 0 {
		return "", nil, usagef("--data %s is not empty; give a new folder.\n"+
			"  What is in it can be served: wright serve --data %s\n"+
			"  The demo's clock stood in July 2026, so the tokens made there have ended; for a new operator's token:\n"+
			"  wright token first --renew --data %s", c.Data, c.Data, c.Data)
	}
	return c.Data, func() error { return nil }, os.MkdirAll(c.Data, 0o700)
}

// live is the demonstration itself, chapter by chapter.
func (d *demo) live(ctx context.Context, truth bool) error {
	for _, chapter := range []struct {
		title string
		do    func(context.Context) error
	}{
		{"connecting", d.connect},
		{"opening three shops with their people", d.openShops},
		{"registering customers and models", d.register},
		{"importing five years of repairs", d.importPast},
		{"working through July", d.work},
		{"waiting for the statistics", func(ctx context.Context) error { return d.caughtUp(ctx, "reliability", "access", "intake") }},
	} {
		_, _ = fmt.Fprintf(d.out.Err, "%s ...\n", chapter.title)
		began := time.Now()
		if err := chapter.do(ctx); err != nil {
			return fmt.Errorf("%s: %w", chapter.title, err)
		}
		_, _ = fmt.Fprintf(d.out.Err, "  %s s\n", fixed(time.Since(began).Seconds(), 1))
	}
	return d.report(ctx, truth)
}

func (d *demo) connect(context.Context) error {
	d.upkeep = map[string]upkeepv1.UpkeepServiceClient{}
	byName := map[string]*grpc.ClientConn{}
	for _, service := range []string{"access", "intake", "reliability"} {
		cc, err := d.site.Dial(service)
		if err != nil {
			return err
		}
		d.conns = append(d.conns, cc)
		byName[service] = cc
		d.upkeep[service] = upkeepv1.NewUpkeepServiceClient(cc)
	}
	d.access = accessv1.NewAccessServiceClient(byName["access"])
	d.intake = intakev1.NewIntakeServiceClient(byName["intake"])
	d.reliability = reliabilityv1.NewReliabilityServiceClient(byName["reliability"])
	return nil
}

func (d *demo) close(ctx context.Context) error {
	var errs []error
	for _, cc := range d.conns {
		errs = append(errs, cc.Close())
	}
	return errors.Join(append(errs, d.site.Close(ctx))...)
}

// importPast writes the invented history to a file and imports that, the way
// anybody would.
func (d *demo) importPast(ctx context.Context) error {
	d.past = history.Honest(demoNumber, 1)
	path := filepath.Join(d.data, "history.csv")
	if err := writeFile(path, d.past.Write); err != nil {
		return err
	}
	token, err := d.token(ctx, d.steward)
	if err != nil {
		return err
	}
	command := ImportCommand{File: path, Connection: Connection{To: d.site.GRPCAddr(), Token: token}}
	return command.Run(ctx, d.out)
}

// writeHistory writes an invented history and nothing else.
func (c *DemoCommand) writeHistory() error {
	switch {
	case c.Scale < 1 || c.Scale > 1000:
		return usagef("--scale is %d, must be 1 to 1000", c.Scale)
	case c.Hostile:
		return writeFile(c.History, history.Adversarial(demoNumber, c.Scale).Write)
	}
	return writeFile(c.History, history.Honest(demoNumber, c.Scale).Write)
}

func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}
