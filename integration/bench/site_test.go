package bench

import (
	"context"
	"net"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/integration/fleet"
	"spindlewright/integration/scenario"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// network is a running installation with the story's people in it.
type network struct {
	*fleet.Inside
	cast *scenario.Cast
}

// open starts everything in this process, with stores as the URL says.
func open(b *testing.B, sqlURL string) *network {
	b.Helper()
	n := &network{Inside: fleet.StartInside(b, sqlURL)}
	var err error
	if n.cast, err = n.SetUp(b.Context()); err != nil {
		b.Fatal(err)
	}
	return n
}

func (n *network) intake() intakev1.IntakeServiceClient {
	return intakev1.NewIntakeServiceClient(n.Conn("intake"))
}

// spindles registers count spindles and gives their ids.
func (n *network) spindles(b *testing.B, count int) []string {
	b.Helper()
	ctx := scenario.As(b.Context(), n.cast.Steward)
	ids := make([]string, count)
	for i := range ids {
		sp, err := n.intake().RegisterSpindle(ctx, &intakev1.RegisterSpindleRequest{RequestId: uuid.NewString(), Spindle: &intakev1.Spindle{
			ModelId: n.cast.Models["heron-18"].ModelId, CustomerId: n.cast.Customers["dunmore-gears"], Serial: "B-" + uuid.NewString()[:13]}})
		if err != nil {
			b.Fatal(err)
		}
		ids[i] = sp.SpindleId
	}
	return ids
}

// reading reports the k-th reading of a spindle.
func (n *network) reading(ctx context.Context, spindle string, k int) error {
	_, err := n.intake().ReportHours(ctx, &intakev1.ReportHoursRequest{RequestId: uuid.NewString(), SpindleId: spindle,
		RunningHours: float64(k) / 60, Source: "meter", SeenAt: timestamppb.New(time.Date(2020, 1, 1, 0, k, 0, 0, time.UTC))})
	return err
}

// echo is an empty RPC over TCP, the least that a call can cost.
func echo(b *testing.B) time.Duration {
	b.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	s := grpc.NewServer()
	healthv1.RegisterHealthServer(s, health.NewServer())
	go func() { _ = s.Serve(l) }() // ends with s.Stop
	b.Cleanup(s.Stop)
	cc, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { cc.Close() })
	api := healthv1.NewHealthClient(cc)
	return median(b, 3000, func() error {
		_, err := api.Check(b.Context(), &healthv1.HealthCheckRequest{})
		return err
	})
}
