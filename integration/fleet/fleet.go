// Package fleet runs the built executable as several processes, the way a real
// installation does, for the tests that need real processes: arrangements,
// faults and kills. Everything listens on loopback and dies with the test.
package fleet

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"

	"spindlewright/integration/scenario"
	"spindlewright/pkg/rig"
)

// Services are what an installation is made of, in an order that starts well.
var Services = []string{"access", "intake", "reliability"}

// Plan says how to lay the processes out.
type Plan struct {
	// Replicas of each service; more than one needs SQLURL.
	Replicas int
	// Whole runs everything, the bus too, in one process named "whole-1".
	Whole   bool
	SQLURL  string
	BlobURL string
	NATSURL string
	// Env is added to every process, as NAME=value.
	Env []string
	// EnvOf is added to the processes of one service.
	EnvOf map[string][]string
}

// Fleet is a running installation of several processes.
type Fleet struct {
	t        testing.TB
	binary   string
	services []string
	members  map[string]*Member // "intake-1"
	byName   map[string][]*Member
}

// Member is one process of the fleet. It can be killed and started again.
type Member struct {
	Name, Service, Addr string

	fleet *Fleet
	data  string
	args  []string
	env   []string
	log   *os.File
	mu    sync.Mutex
	proc  *rig.Process
}

// Start lays out and starts the processes and waits until all serve.
func Start(t testing.TB, p Plan) *Fleet {
	t.Helper()
	f := New(t, p)
	// The first access process makes the keys that all others need.
	first := f.byName[f.services[0]][0]
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	for _, name := range f.Names() {
		if m := f.members[name]; m != first {
			if err := m.launch(); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, name := range f.Names() {
		if err := f.members[name].Ready(); err != nil {
			t.Fatal(err)
		}
	}
	return f
}

// New lays out the processes without starting any.
func New(t testing.TB, p Plan) *Fleet {
	t.Helper()
	if p.Replicas == 0 {
		p.Replicas = 1
	}
	services := Services
	if p.Whole {
		services = []string{"whole"}
	}
	f := &Fleet{t: t, binary: rig.Binary(t), services: services, members: map[string]*Member{}, byName: map[string][]*Member{}}
	folder := t.TempDir()
	peers := map[string]string{}
	for _, s := range services {
		for i := range p.Replicas {
			m := &Member{Name: fmt.Sprintf("%s-%d", s, i+1), Service: s, Addr: freeAddr(t), fleet: f}
			f.members[m.Name] = m
			f.byName[s] = append(f.byName[s], m)
			if i == 0 {
				peers[s] = m.Addr
			}
		}
	}
	shared := filepath.Join(folder, "shared")
	if err := os.MkdirAll(shared, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range f.Names() {
		f.members[name].prepare(t, p, folder, shared, peers)
	}
	t.Cleanup(f.stop)
	return f
}

func (m *Member) prepare(t testing.TB, p Plan, folder, shared string, peers map[string]string) {
	t.Helper()
	var others []string
	for s, addr := range peers {
		if s != m.Service {
			others = append(others, s+"="+addr)
		}
	}
	sort.Strings(others)
	m.data = filepath.Join(folder, m.Name)
	m.args = []string{"serve", "--data", m.data, "--listen", m.Addr, "--ops-listen", "127.0.0.1:0",
		"--log-level", "warn", "--log-format", "text"}
	if p.Whole {
		m.args = append(m.args, "--bus-listen", "127.0.0.1:0")
	} else {
		m.args = append(m.args, m.Service, "--nats-url", p.NATSURL, "--peers", strings.Join(others, ","),
			"--internal-key", filepath.Join(shared, "internal.key"), "--signing-keys", filepath.Join(shared, "signing"))
	}
	if p.SQLURL != "" {
		m.args = append(m.args, "--sql-url", p.SQLURL)
	}
	if p.BlobURL != "" {
		m.args = append(m.args, "--blob-url", p.BlobURL)
	}
	m.env = append(append(os.Environ(), p.Env...), p.EnvOf[m.Service]...)
	log, err := os.Create(filepath.Join(folder, m.Name+".log"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { log.Close() })
	m.log = log
}

// Names are the members in a fixed order.
func (f *Fleet) Names() []string {
	var names []string
	for n := range f.members {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

// Member gives one process by name, "intake-1".
func (f *Fleet) Member(name string) *Member { return f.members[name] }

// Site reaches the fleet, taking turns among the replicas of a service.
func (f *Fleet) Site() scenario.Site {
	conns := map[string]grpc.ClientConnInterface{}
	for s, members := range f.byName {
		var all turns
		for _, m := range members {
			cc, err := m.Dial()
			if err != nil {
				f.t.Fatal(err)
			}
			f.t.Cleanup(func() { cc.Close() })
			all.conns = append(all.conns, cc)
		}
		conns[s] = &all
	}
	return scenario.Site{
		Conn: func(service string) grpc.ClientConnInterface {
			if cc, ok := conns[service]; ok {
				return cc
			}
			return conns["whole"]
		},
		OperatorToken: f.operatorToken(),
	}
}

func (f *Fleet) operatorToken() string {
	for _, m := range f.byName[f.services[0]] {
		found, _ := filepath.Glob(filepath.Join(m.data, "access", "*operator*"))
		for _, file := range found {
			if text, err := os.ReadFile(file); err == nil {
				return strings.TrimSpace(string(text))
			}
		}
	}
	f.t.Fatal("no access process wrote a first operator's token")
	return ""
}

// Dial connects to this process alone.
func (m *Member) Dial() (*grpc.ClientConn, error) {
	return grpc.NewClient("passthrough:///"+m.Addr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{MinConnectTimeout: time.Second}))
}

func (m *Member) launch() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	cmd := exec.Command(m.fleet.binary, m.args...)
	cmd.Env, cmd.Stdout, cmd.Stderr = m.env, m.log, m.log
	proc, err := rig.Start(cmd)
	m.proc = proc
	return err
}

// Start starts the process and waits until it serves.
func (m *Member) Start() error {
	if err := m.launch(); err != nil {
		return err
	}
	return m.Ready()
}

// Ready waits until the process answers health checks.
func (m *Member) Ready() error {
	cc, err := m.Dial()
	if err != nil {
		return err
	}
	defer cc.Close()
	err = m.process().Await(20*time.Second, func() error {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		_, err := healthv1.NewHealthClient(cc).Check(ctx, &healthv1.HealthCheckRequest{}, grpc.WaitForReady(true))
		return err
	})
	if err != nil {
		return fmt.Errorf("%s: %w\n%s", m.Name, err, m.Log())
	}
	return nil
}

func (m *Member) process() *rig.Process {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.proc
}

// Running tells whether the process is alive.
func (m *Member) Running() bool {
	p := m.process()
	return p != nil && p.Running()
}

// PID is the id of the process that runs now.
func (m *Member) PID() int { return m.process().PID() }

// Data is the folder that the process keeps its data in.
func (m *Member) Data() string { return m.data }

// Done is closed when the process that runs now has ended.
func (m *Member) Done() <-chan struct{} { return m.process().Done() }

// Kill ends the process at once, as a power cut would.
func (m *Member) Kill() error { return m.process().Kill() }

// Arm adds an environment variable, as NAME=value, for the next start.
func (m *Member) Arm(variable string) { m.env = append(m.env, variable) }

// Disarm takes an environment variable away before the next start.
func (m *Member) Disarm(name string) {
	var kept []string
	for _, e := range m.env {
		if !strings.HasPrefix(e, name+"=") {
			kept = append(kept, e)
		}
	}
	m.env = kept
}

// Log is the end of what the process said.
func (m *Member) Log() string {
	text, _ := os.ReadFile(m.log.Name())
	if len(text) > 4000 {
		text = text[len(text)-4000:]
	}
	return string(text)
}

func (f *Fleet) stop() {
	for i := range f.services {
		for _, m := range f.byName[f.services[len(f.services)-1-i]] {
			if !m.Running() {
				continue
			}
			if err := m.process().Stop(syscall.SIGTERM, 20*time.Second); err != nil {
				f.t.Errorf("%s: %v\n%s", m.Name, err, m.Log())
			}
		}
	}
	if f.t.Failed() {
		for _, name := range f.Names() {
			f.t.Logf("%s said:\n%s", name, f.members[name].Log())
		}
	}
}

func freeAddr(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// turns sends each call to the next connection.
type turns struct {
	conns []grpc.ClientConnInterface
	next  atomic.Uint64
}

func (t *turns) pick() grpc.ClientConnInterface {
	return t.conns[t.next.Add(1)%uint64(len(t.conns))]
}

func (t *turns) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	return t.pick().Invoke(ctx, method, args, reply, opts...)
}

func (t *turns) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return t.pick().NewStream(ctx, desc, method, opts...)
}
