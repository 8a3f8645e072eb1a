package run

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/folder"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// hollow is a service that answers nothing: these tests are about what
// surrounds services.
type hollow struct{ register func(grpc.ServiceRegistrar) }

func (h hollow) Register(r grpc.ServiceRegistrar) { h.register(r) }
func (hollow) Follower() events.Follower          { return nil }
func (hollow) Run(ctx context.Context) error      { <-ctx.Done(); return nil }

// keyless is an access service that serves an empty key set.
type keyless struct {
	accessv1.UnimplementedAccessServiceServer
}

func (keyless) GetJwks(context.Context, *accessv1.GetJwksRequest) (*accessv1.GetJwksResponse, error) {
	return &accessv1.GetJwksResponse{Jwks: `{"keys":[]}`}, nil
}

func hollowTable() map[string]builder {
	one := func(contract string, register func(grpc.ServiceRegistrar)) builder {
		return builder{contract: contract,
			migrations: db.Migrations{Name: "hollow", Files: fstest.MapFS{"00001_x.sql": {Data: []byte("-- +goose Up\nCREATE TABLE x (a BIGINT);\n")}}},
			build: func(context.Context, parts) (service, func() error, error) {
				return hollow{register}, nil, nil
			}}
	}
	return map[string]builder{
		moduleAccess: one("spindlewright.access.v1.AccessService", func(r grpc.ServiceRegistrar) {
			accessv1.RegisterAccessServiceServer(r, keyless{})
		}),
		moduleIntake: one("spindlewright.intake.v1.IntakeService", func(r grpc.ServiceRegistrar) {
			intakev1.RegisterIntakeServiceServer(r, intakev1.UnimplementedIntakeServiceServer{})
		}),
		moduleReliability: one("spindlewright.reliability.v1.ReliabilityService", func(r grpc.ServiceRegistrar) {
			reliabilityv1.RegisterReliabilityServiceServer(r, reliabilityv1.UnimplementedReliabilityServiceServer{})
		}),
	}
}

// begin starts a site of hollow services and closes it with the test.
func begin(t *testing.T, c Config) *Site {
	t.Helper()
	s, err := start(t.Context(), c, hollowTable())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finish(t, s) })
	return s
}

func finish(t *testing.T, s *Site) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := s.Close(ctx); err != nil {
		t.Errorf("close: %v", err)
	}
}

func get(t *testing.T, s *Site, path string) (code int, body string) {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 5 * time.Second}
	r, err := client.Get("http://" + s.OpsAddr() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Body.Close() }()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(text)
}

// eventually waits for a condition.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(10 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("never: %s", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func TestGracefulStopLeavesNothingBehind(t *testing.T) {
	before := goleak.IgnoreCurrent()
	s, err := start(t.Context(), ForTest(t.TempDir()), hollowTable())
	if err != nil {
		t.Fatal(err)
	}
	cc, err := s.Dial("intake")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := healthv1.NewHealthClient(cc).Check(t.Context(), &healthv1.HealthCheckRequest{}); err != nil {
		t.Error(err)
	}
	if code, _ := get(t, s, "/metrics"); code != http.StatusOK {
		t.Errorf("/metrics: %d", code)
	}
	if err := cc.Close(); err != nil {
		t.Error(err)
	}
	// A stream that is being made while the bus stops leaves a goroutine of the
	// NATS server behind; that is not what is tested here.
	for _, h := range s.hosted {
		js, err := jetstream.New(h.conn)
		if err != nil {
			t.Fatal(err)
		}
		eventually(t, "the stream of "+h.name, func() bool {
			_, err := js.Stream(t.Context(), "SW_"+strings.ToUpper(h.name))
			return err == nil
		})
	}
	finish(t, s)
	if err := goleak.Find(before); err != nil {
		t.Error(err)
	}
}

func TestEndpoints(t *testing.T) {
	s := begin(t, ForTest(t.TempDir()))
	if code, body := get(t, s, "/healthz"); code != 200 || body != "ok\n" {
		t.Errorf("/healthz: %d %q", code, body)
	}
	eventually(t, "ready and well", func() bool {
		code, body := get(t, s, "/readyz")
		var r readiness
		if err := json.Unmarshal([]byte(body), &r); err != nil {
			t.Fatal(err)
		}
		return code == 200 && r.Ready && !r.Degraded && len(r.Checks) >= 10
	})
	if code, body := get(t, s, "/.well-known/jwks.json"); code != 200 || !strings.Contains(body, `"keys"`) {
		t.Errorf("jwks.json: %d %q", code, body)
	}
	_, metrics := get(t, s, "/metrics")
	for _, m := range []string{"spindlewright_build_info", "spindlewright_outbox_unpublished", "spindlewright_inbox_lag",
		"spindlewright_inbox_parked", "spindlewright_inbox_held", "spindlewright_writer_waiting", "spindlewright_bus_joined",
		"spindlewright_bus_flush_always"} {
		if !strings.Contains(metrics, "\n"+m) {
			t.Errorf("/metrics lacks %s", m)
		}
	}
	if code, _ := get(t, s, "/debug/pprof/"); code != http.StatusNotFound {
		t.Errorf("an address nobody offered answers %d", code)
	}
}

func TestHealthIsToldPerService(t *testing.T) {
	s := begin(t, ForTest(t.TempDir()))
	cc := dialled(t, s, "access")
	for _, name := range []string{"", "access", "spindlewright.intake.v1.IntakeService"} {
		got, err := healthv1.NewHealthClient(cc).Check(t.Context(), &healthv1.HealthCheckRequest{Service: name})
		if err != nil || got.Status != healthv1.HealthCheckResponse_SERVING {
			t.Errorf("%q: %v %v", name, got.GetStatus(), err)
		}
	}
	// A store that is gone must show, in health and in readiness.
	if err := s.hosted[0].store.Close(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "not serving", func() bool {
		got, err := healthv1.NewHealthClient(cc).Check(t.Context(), &healthv1.HealthCheckRequest{Service: s.hosted[0].name})
		return err == nil && got.Status == healthv1.HealthCheckResponse_NOT_SERVING
	})
	if code, _ := get(t, s, "/readyz"); code != http.StatusServiceUnavailable {
		t.Errorf("/readyz: %d", code)
	}
}

func dialled(t *testing.T, s *Site, service string) *grpc.ClientConn {
	t.Helper()
	cc, err := s.Dial(service)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	return cc
}

func TestNoTokenNoAnswer(t *testing.T) {
	s := begin(t, ForTest(t.TempDir()))
	cc := dialled(t, s, "intake")
	_, err := intakev1.NewIntakeServiceClient(cc).ListStages(t.Context(), &intakev1.ListStagesRequest{})
	if status.Code(err) != codes.Unauthenticated {
		t.Errorf("intake: %v", err)
	}
	_, err = upkeepv1.NewUpkeepServiceClient(cc).GetState(t.Context(), &upkeepv1.GetStateRequest{})
	if status.Code(err) != codes.Unauthenticated {
		t.Errorf("upkeep: %v", err)
	}
	// Between services, the installation's key signs.
	inside, err := s.dialer.as(s.internal.Caller("intake", s.config.Clock, s.config.IDs))("reliability")
	if err != nil {
		t.Fatal(err)
	}
	got, err := upkeepv1.NewUpkeepServiceClient(inside).GetState(t.Context(), &upkeepv1.GetStateRequest{})
	if err != nil || len(got.Services) != 3 {
		t.Fatalf("state: %v %v", got, err)
	}
	for _, service := range got.Services {
		for _, c := range service.Checks {
			if !c.Ok && c.Name != "bus" {
				t.Errorf("%s: %s: %s", service.Service, c.Name, c.Detail)
			}
		}
	}
	if _, err := s.Dial("nobody"); err == nil {
		t.Error("a service that is not installed can be dialled")
	}
}

func TestTwoOnOneFolderAreRefused(t *testing.T) {
	dir := t.TempDir()
	s := begin(t, ForTest(dir))
	_, err := start(t.Context(), ForTest(dir), hollowTable())
	var held *folder.HeldError
	if !errors.As(err, &held) || !strings.Contains(err.Error(), "stop that process") {
		t.Errorf("a second process: %v", err)
	}
	if code, _ := get(t, s, "/healthz"); code != 200 {
		t.Error("the first one was disturbed")
	}
}

func TestStartsWithoutNATSAndReadinessSaysSo(t *testing.T) {
	c := ForTest(t.TempDir())
	c.Settings.NATSURL = "nats://127.0.0.1:" + freePort(t)
	s := begin(t, c)
	var r readiness
	code, body := get(t, s, "/readyz")
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		t.Fatal(err)
	}
	if code != 200 || !r.Ready || !r.Degraded {
		t.Errorf("ready %v, degraded %v, %d", r.Ready, r.Degraded, code)
	}
	away := 0
	for _, c := range r.Checks {
		if !c.OK && strings.Contains(c.Detail, "outbox") {
			away++
		}
	}
	want(t, "services that say that the bus is away", away, 3)
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return port
}

func TestFailedStartLetsGo(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	dir := t.TempDir()
	for _, set := range []func(*Settings){
		func(s *Settings) { s.Listen = taken.Addr().String() },
		func(s *Settings) { s.OpsListen = taken.Addr().String() },
		func(s *Settings) { s.BusListen = taken.Addr().String() },
	} {
		c := ForTest(dir)
		set(&c.Settings)
		if s, err := start(t.Context(), c, hollowTable()); err == nil {
			t.Error("started on a taken address")
			finish(t, s)
		} else if !strings.Contains(err.Error(), "in use") {
			t.Errorf("refusal %v does not say why", err)
		}
	}
	begin(t, ForTest(dir))
}

func TestFailpointsAreForLoopbackOnly(t *testing.T) {
	c := ForTest(t.TempDir())
	c.LookupEnv = func(name string) (string, bool) {
		return "db.before-commit=error:1000000", name == "SPINDLEWRIGHT_FAILPOINTS"
	}
	c.Settings.OpsListen = "0.0.0.0:0"
	_, err := start(t.Context(), c, hollowTable())
	if err == nil || !strings.Contains(err.Error(), "unset it") || !strings.Contains(err.Error(), "127.0.0.1") {
		t.Errorf("exposed: %v", err)
	}
}

func TestWithoutTheSharedKeyAServiceIsRefused(t *testing.T) {
	c := ForTest(t.TempDir())
	c.Settings.Modules = []string{"bus", "intake"}
	c.Settings.Peers = map[string]string{"access": "127.0.0.1:1"}
	_, err := start(t.Context(), c, hollowTable())
	if err == nil || !strings.Contains(err.Error(), "internal_key") || !strings.Contains(err.Error(), "copy it") {
		t.Errorf("refusal: %v", err)
	}
}

func BenchmarkStart(b *testing.B) {
	for b.Loop() {
		s, err := start(b.Context(), ForTest(b.TempDir()), hollowTable())
		if err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		_ = s.Close(context.Background())
		b.StartTimer()
	}
}
