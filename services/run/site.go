package run

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"google.golang.org/grpc"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/failpoint"
	"spindlewright/pkg/fault"
	"spindlewright/pkg/folder"
	"spindlewright/pkg/telemetry"
	"spindlewright/pkg/upkeep"
)

// Config is what a process is started with.
type Config struct {
	Settings Settings
	// Clock says when things were recorded; nil means the machine's.
	Clock clock.Clock
	// IDs gives identifiers; nil means random ones.
	IDs clock.IDs
	// Log is where the process speaks; nil means nowhere.
	Log *slog.Logger
	// LookupEnv looks up the variables that are no settings: failpoints, and
	// OTEL_*; nil means the process's environment.
	LookupEnv func(string) (string, bool)
}

func (c *Config) fill() {
	if c.Clock == nil {
		c.Clock = clock.System()
	}
	if c.IDs == nil {
		c.IDs = clock.RandomIDs()
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.LookupEnv == nil {
		c.LookupEnv = os.LookupEnv
	}
}

// Site is a running process.
type Site struct {
	config Config
	plan   Arrangement
	build  telemetry.Build
	table  map[string]builder
	log    *slog.Logger

	watch    *telemetry.Telemetry
	internal *access.InternalKey
	busKey   []byte
	bus      *bus
	door     *door
	dialer   *dialer
	upkeep   *upkeep.Server
	hosted   []*hosted
	flush    *flushWatch
	work     *background
	ops      *opsDoor

	started stack
}

// Start starts the modules that the settings name and returns once the
// listeners accept calls. What it cannot start is refused with the remedies,
// and what was started before is stopped again.
func Start(ctx context.Context, c Config) (*Site, error) { return start(ctx, c, serviceTable()) }

func start(ctx context.Context, c Config, table map[string]builder) (*Site, error) {
	c.fill()
	plan, err := Arrange(c.Settings)
	if err != nil {
		return nil, err
	}
	if err := armFailpoints(c, plan); err != nil {
		return nil, err
	}
	for _, n := range plan.Notes {
		c.Log.Info(n)
	}
	s := &Site{config: c, plan: plan, table: table, build: telemetry.ReadBuild(), log: c.Log, work: newBackground(c.Log), flush: &flushWatch{log: c.Log}}
	began := time.Now()
	if err := s.started.start(ctx, s.modules()); err != nil {
		return nil, err
	}
	c.Log.Info("serving", "modules", strings.Join(plan.Modules, ","), "grpc", s.GRPCAddr(), "ops", s.OpsAddr(),
		"bus", s.BusAddr(), "version", s.build.Version, "started_in", time.Since(began).Round(time.Millisecond).String())
	return s, nil
}

// armFailpoints arms what the environment asks for, but never where others can
// reach the process.
func armFailpoints(c Config, plan Arrangement) error {
	if spec, _ := c.LookupEnv(failpoint.Variable); spec == "" {
		return nil
	}
	if len(plan.Exposed) > 0 {
		return fmt.Errorf("%s breaks this process on purpose, which is refused while other machines can reach it (%s): unset it, or listen on 127.0.0.1",
			failpoint.Variable, strings.Join(plan.Exposed, ", "))
	}
	names, err := failpoint.FromEnv(c.LookupEnv)
	if err != nil {
		return err
	}
	c.Log.Warn("this process breaks on purpose", "places", strings.Join(names, ", "))
	return nil
}

// modules is the table of all parts of this process.
func (s *Site) modules() []module {
	table := []module{
		{"telemetry", nil, s.startTelemetry},
		{"locks", nil, s.lockFolders},
		{"keys", []string{"locks"}, s.openKeys},
		{"door", []string{"telemetry"}, s.makeDoor},
		{"dialer", []string{"door", "keys"}, s.makeDialer},
	}
	serviceNeeds := []string{"dialer"}
	if s.plan.Bus.Host {
		table = append(table, module{moduleBus, []string{"keys"}, s.startBus})
		serviceNeeds = append(serviceNeeds, moduleBus)
	}
	var services []string
	for _, name := range s.plan.Services() {
		table = append(table, module{name, serviceNeeds, func(ctx context.Context) (func(context.Context) error, error) {
			return s.startService(ctx, name)
		}})
		services = append(services, name)
	}
	return append(table,
		module{"upkeep", append([]string{"door"}, services...), s.registerUpkeep},
		module{"ops", []string{"upkeep"}, s.openOps},
		module{"background", []string{"upkeep"}, s.startWork},
		module{"listener", []string{"upkeep", "background", "ops"}, s.openDoor},
	)
}

func (s *Site) startTelemetry(ctx context.Context) (func(context.Context) error, error) {
	getenv := func(name string) string { v, _ := s.config.LookupEnv(name); return v }
	watch, err := telemetry.New(ctx, telemetry.Config{Sampling: s.config.Settings.TraceSampling, Getenv: getenv, Build: s.build})
	if err != nil {
		return nil, err
	}
	watch.Install()
	s.watch = watch
	return watch.Shutdown, nil
}

// lockFolders takes the folder of every module before anything in it is opened.
func (s *Site) lockFolders(context.Context) (func(context.Context) error, error) {
	if err := folder.Make(s.config.Settings.Data); err != nil {
		return nil, err
	}
	var locks []*folder.Lock
	release := func(context.Context) error {
		var errs []error
		for _, l := range locks {
			errs = append(errs, l.Close())
		}
		return errors.Join(errs...)
	}
	for _, m := range s.plan.Modules {
		l, err := folder.Acquire(s.plan.Folders[m])
		if err != nil {
			return nil, errors.Join(err, release(context.Background()))
		}
		locks = append(locks, l)
	}
	return release, nil
}

func (s *Site) openKeys(context.Context) (func(context.Context) error, error) {
	path := s.plan.Keys.Internal
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) && !s.plan.Keys.MakeInternal {
		return nil, fmt.Errorf("internal_key: %s is not there; the process that runs module access (or the bus alone) makes it at first start: copy it from there, or give its path", path)
	}
	var err error
	if s.internal, err = access.OpenInternalKey(path); err != nil {
		return nil, fmt.Errorf("internal_key: %w", err)
	}
	s.busKey, err = os.ReadFile(path)
	return nil, err
}

func (s *Site) startBus(context.Context) (func(context.Context) error, error) {
	users, err := busUsers(s.busKey)
	if err != nil {
		return nil, err
	}
	b, err := openBus(s.plan.Folders[moduleBus], s.plan.Bus.Listen, users, s.log)
	if err != nil {
		return nil, err
	}
	s.bus = b
	return b.close, nil
}

func (s *Site) makeDoor(context.Context) (func(context.Context) error, error) {
	d, err := newDoor(s.config.Settings, fault.Edge{Log: s.log, IDs: s.config.IDs}, s.watch)
	if err != nil {
		return nil, err
	}
	s.door = d
	return d.discard, nil
}

func (s *Site) makeDialer(context.Context) (func(context.Context) error, error) {
	d, err := newDialer(s.plan, s.config.Settings, s.door.memory, clientHandler(s.watch))
	if err != nil {
		return nil, err
	}
	s.dialer = d
	return d.close, nil
}

func (s *Site) registerUpkeep(context.Context) (func(context.Context) error, error) {
	var list []upkeep.Hosted
	// What the process's services share is told once, with the first of them.
	more := s.processChecks
	for _, h := range s.hosted {
		list = append(list, h.forUpkeep(s.work.states, more))
		more = func() []check { return nil }
	}
	s.upkeep = upkeep.NewServer(upkeep.Config{Version: s.build.Version, Clock: s.config.Clock, Hosted: list})
	s.upkeep.Register(s.door.server)
	return nil, nil
}

func (s *Site) openOps(context.Context) (func(context.Context) error, error) {
	if err := s.meter(); err != nil {
		return nil, err
	}
	o, err := openOps(s.config.Settings.OpsListen, opsParts{metrics: s.watch.Handler(), ready: s.checks, jwks: s.jwks})
	if err != nil {
		return nil, err
	}
	s.ops = o
	return o.close, nil
}

func (s *Site) openDoor(ctx context.Context) (func(context.Context) error, error) {
	s.noteHealth(ctx)
	if err := s.door.open(s.config.Settings.Listen, s.newGuard(), s.contracts()); err != nil {
		return nil, err
	}
	return s.door.close, nil
}

// Close stops everything in reverse, within ctx.
func (s *Site) Close(ctx context.Context) error { return s.started.stop(ctx) }

// GRPCAddr is the address of the gRPC listener.
func (s *Site) GRPCAddr() string { return s.door.tcp.Addr().String() }

// OpsAddr is the address of the operator's HTTP listener.
func (s *Site) OpsAddr() string { return s.ops.addr() }

// BusAddr is the address of the embedded NATS server, or empty.
func (s *Site) BusAddr() string {
	if s.bus == nil {
		return ""
	}
	return s.bus.addr()
}

// OperatorTokenFile is the file that holds the first operator's token, or
// empty when module access does not run here.
func (s *Site) OperatorTokenFile() string {
	if !s.plan.Hosts(moduleAccess) {
		return ""
	}
	return OperatorTokenPath(s.config.Settings.Data)
}

// Dial connects to a service the way an outside client does: over TCP, with
// the listener's TLS when it has any, without credentials. The caller closes.
func (s *Site) Dial(service string) (*grpc.ClientConn, error) {
	peer, ok := s.plan.Peers[service]
	if !ok {
		return nil, fmt.Errorf("service %s is not part of this installation", service)
	}
	if !peer.InMemory {
		return dialPeerPlainly(peer.Address, s.config.Settings, clientHandler(s.watch))
	}
	return s.door.dialSelf()
}

// Summary says, for a person, what runs here and where it is reached.
func (s *Site) Summary() string {
	var b strings.Builder
	fmt.Fprintf(&b, "spindlewright %s serves %s\n", s.build.Version, strings.Join(s.plan.Modules, ", "))
	fmt.Fprintf(&b, "  gRPC  %s\n", s.GRPCAddr())
	fmt.Fprintf(&b, "  ops   http://%s  (/metrics, /healthz, /readyz)\n", s.OpsAddr())
	if s.bus != nil {
		fmt.Fprintf(&b, "  bus   nats://%s\n", s.BusAddr())
	}
	fmt.Fprintf(&b, "  data  %s", s.config.Settings.Data)
	// An operator deletes the file once there is another operator.
	if f := s.OperatorTokenFile(); f != "" && exists(f) {
		fmt.Fprintf(&b, "\n  first operator's token: %s", f)
	}
	return b.String()
}
