package fault

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/integration/scenario"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// load sends commands, each until it is acknowledged, always with the same
// request id, and remembers what was acknowledged.
type load struct {
	site scenario.Site
	cast *scenario.Cast

	mu       sync.Mutex
	spindles []string          // acknowledged registrations
	readings map[string]int    // spindle -> acknowledged readings
	orders   map[string]string // spindle -> acknowledged order number
	retries  atomic.Int64
}

func newLoad(site scenario.Site, cast *scenario.Cast) *load {
	return &load{site: site, cast: cast, readings: map[string]int{}, orders: map[string]string{}}
}

// transient are codes after which a client may not know whether its command
// was done, and so sends it again.
func transient(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.Internal, codes.Unknown, codes.Aborted, codes.DeadlineExceeded, codes.Canceled, codes.ResourceExhausted:
		return true
	}
	return false
}

// insist calls until the call is acknowledged or refused for good.
func (l *load) insist(ctx context.Context, what string, call func(context.Context) error) error {
	for {
		one, cancel := context.WithTimeout(ctx, 3*time.Second)
		err := call(one)
		cancel()
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return errors.Join(ctx.Err(), err)
		}
		if !transient(err) {
			return fmt.Errorf("%s: %w", what, err)
		}
		l.retries.Add(1)
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s was never acknowledged: %w", what, err)
		case <-time.After(30 * time.Millisecond):
		}
	}
}

// spindle lives one short life: registered, read twice, received.
func (l *load) spindle(ctx context.Context, n int) error {
	shop := l.cast.Shops[n%len(l.cast.Shops)]
	ctx = scenario.As(ctx, shop.Technician)
	api := intakev1.NewIntakeServiceClient(l.site.Conn("intake"))
	model := l.cast.Models[[]string{"heron-18", "bittern-8", "plover-12"}[n%3]]
	customer := l.cast.Customers[[]string{"dunmore-gears", "ostrava-moulds", "prairie-valves"}[n%3]]
	id := func(step string) string {
		return uuid.NewSHA1(uuid.NameSpaceOID, fmt.Appendf(nil, "%s %d", step, n)).String()
	}
	at := func(days int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2024, 1, 10, 9, 0, 0, 0, time.UTC).AddDate(0, 0, n%300+days))
	}
	var sp *intakev1.Spindle
	err := l.insist(ctx, "register", func(ctx context.Context) (err error) {
		sp, err = api.RegisterSpindle(ctx, &intakev1.RegisterSpindleRequest{RequestId: id("register"),
			Spindle: &intakev1.Spindle{ModelId: model.ModelId, Serial: fmt.Sprintf("F-%05d", n), CustomerId: customer}})
		return err
	})
	if err != nil {
		return err
	}
	l.note(func() { l.spindles = append(l.spindles, sp.SpindleId) })
	for i, hours := range []float64{100, 120} {
		err := l.insist(ctx, "hours", func(ctx context.Context) error {
			_, err := api.ReportHours(ctx, &intakev1.ReportHoursRequest{RequestId: id(fmt.Sprint("hours", i)), SpindleId: sp.SpindleId,
				RunningHours: hours, SeenAt: at(i), Source: "meter"})
			return err
		})
		if err != nil {
			return err
		}
		l.note(func() { l.readings[sp.SpindleId]++ })
	}
	hours := 150.0
	return l.insist(ctx, "receive", func(ctx context.Context) error {
		wo, err := api.ReceiveWorkOrder(ctx, &intakev1.ReceiveWorkOrderRequest{RequestId: id("receive"), ShopId: shop.ID, SpindleId: sp.SpindleId,
			ReasonForRemoval: "noise", RemovedAt: at(5), ReceivedAt: at(6), RunningHours: &hours})
		if err == nil {
			l.note(func() { l.orders[sp.SpindleId] = wo.Number })
		}
		return err
	})
}

func (l *load) note(f func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f()
}

// run sends the lives from..to with a few clients at once.
func (l *load) run(ctx context.Context, from, to int) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(4)
	for n := from; n < to; n++ {
		g.Go(func() error { return l.spindle(ctx, n) })
	}
	return g.Wait()
}

// verify holds the installation to its promise.
func (l *load) verify(ctx context.Context, t *testing.T) {
	t.Helper()
	l.ordersOnce(ctx, t)
	live := l.derived(ctx, t)
	err := l.insist(ctx, "replay", func(ctx context.Context) error {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 60*time.Second)
		defer cancel()
		_, err := upkeepv1.NewUpkeepServiceClient(l.site.Conn("reliability")).Replay(scenario.As(ctx, l.site.OperatorToken), &upkeepv1.ReplayRequest{Service: "reliability"})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if diff := live.Diff(l.derived(ctx, t)); diff != "" {
		t.Errorf("what was folded live differs from what a replay gives:\n%s", diff)
	}
}

// ordersOnce checks that each acknowledged order exists once, and no other.
func (l *load) ordersOnce(ctx context.Context, t *testing.T) {
	t.Helper()
	api := intakev1.NewIntakeServiceClient(l.site.Conn("intake"))
	seen, numbers := map[string]string{}, map[string]bool{}
	req := &intakev1.ListWorkOrdersRequest{PageSize: 500}
	for {
		page, err := api.ListWorkOrders(scenario.As(ctx, l.cast.Engineer), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, wo := range page.WorkOrders {
			if other, twice := seen[wo.SpindleId]; twice {
				t.Errorf("spindle %s has two orders, %s and %s", wo.SpindleId, other, wo.Number)
			}
			if numbers[wo.Number] {
				t.Errorf("number %s was given twice", wo.Number)
			}
			seen[wo.SpindleId], numbers[wo.Number] = wo.Number, true
		}
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			break
		}
	}
	for sp, number := range l.orders {
		if seen[sp] != number {
			t.Errorf("order %s was acknowledged; found %q", number, seen[sp])
		}
	}
}

// derived reads statistics and every spindle's history: one removal for an
// acknowledged order, one fact for each acknowledged reading.
func (l *load) derived(ctx context.Context, t *testing.T) scenario.Rows {
	t.Helper()
	ends, err := l.site.CaughtUp(ctx)
	if err != nil {
		t.Fatal(err)
	}
	ctx = scenario.As(ctx, l.cast.Engineer)
	rows, err := l.site.Statistics(ctx, ends)
	if err != nil {
		t.Fatal(err)
	}
	api := reliabilityv1.NewReliabilityServiceClient(l.site.Conn("reliability"))
	for _, id := range l.spindles {
		h, err := api.GetSpindleHistory(ctx, &reliabilityv1.GetSpindleHistoryRequest{SpindleId: id})
		if err != nil {
			t.Fatalf("history of %s: %v", id, err)
		}
		readings, removals := 0, 0
		for _, f := range h.Facts {
			rows = append(rows, fmt.Sprintf("%s %s %s %.1f", h.Serial, f.What, f.OccurredAt.AsTime().Format(time.DateOnly), f.GetRunningHours()))
			switch f.What {
			case "seen running":
				readings++
			case "removed":
				removals++
			}
		}
		if readings != l.readings[id] {
			t.Errorf("spindle %s: %d readings acknowledged, %d in its history", id, l.readings[id], readings)
		}
		if _, received := l.orders[id]; received != (removals == 1) {
			t.Errorf("spindle %s: received %v, %d removals in its history", id, received, removals)
		}
	}
	return rows
}
