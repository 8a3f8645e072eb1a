package reliability

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/rig"
)

// pipeline is a source's outbox and relay, the bus, and the service with its
// inbox: everything between a commit and an answer.
type pipeline struct {
	source *db.DB
	outbox *events.Outbox
	*Service
}

func newPipeline(t testing.TB, url string) *pipeline {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	t.Cleanup(func() { cancel(); running.Wait() })
	source, err := db.Open(ctx, db.Config{Service: "intake", URL: url, Folder: t.TempDir(), Migrations: []db.Migrations{events.OutboxMigrations}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); running.Wait(); _ = source.Close() })
	store := openStore(t, url, t.TempDir())
	t.Cleanup(func() { cancel(); running.Wait() })
	nc := rig.NATS(t)
	t.Cleanup(func() { cancel(); running.Wait() })
	p := &pipeline{source: source, outbox: events.NewOutbox(source, "intake", clock.RandomIDs())}
	if p.Service, err = New(Deps{Store: store, Clock: clock.System(), Nudger: NATSNudger(nc)}); err != nil {
		t.Fatal(err)
	}
	inbox := events.NewInbox(events.InboxConfig{Store: store, Service: Name, Clock: clock.System(), Follow: p.Follower(), Applied: p.Applied,
		Archive: func(ctx context.Context, source string, after int64, limit int) ([]events.Event, int64, int64, error) {
			if source != "intake" {
				return nil, 0, 1, nil
			}
			return p.outbox.Read(ctx, after, limit)
		}})
	for _, work := range []func() error{
		func() error { return p.outbox.Relay(ctx, nc) },
		func() error { return inbox.Run(ctx, nc) },
		func() error { return p.Run(ctx) },
	} {
		running.Go(func() {
			if err := work(); err != nil && ctx.Err() == nil {
				t.Error(err)
			}
		})
	}
	return p
}

// read records a meter reading; it is the n-th event of the source.
func (p *pipeline) read(spindle string, revision int64, hours float64) error {
	return p.source.Write(context.Background(), func(tx *db.Tx) error {
		now := time.Now().UTC()
		_, err := p.outbox.Append(tx, events.Draft{Tenant: events.Network, EntityType: "spindle", EntityID: id(spindle), Revision: revision,
			Happened: "hours_reported", OccurredAt: now, RecordedAt: now, Body: &intakev1.SpindleHoursReported{SpindleId: id(spindle), RunningHours: hours}})
		return err
	})
}

// visible waits until an answer would have applied a position.
func (p *pipeline) visible(t testing.TB, position int64) {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if _, ok := p.tail.await(ctx, func(s *snapshot) bool { return s.positions["intake"] >= position }); !ok {
		t.Fatalf("position %d did not become visible", position)
	}
}

func TestWhatIsCommittedBecomesVisible(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		p := newPipeline(t, url)
		for n := range int64(50) {
			if err := p.read(fmt.Sprint("s", n%5), 1+n/5, float64(n)); err != nil {
				t.Fatal(err)
			}
		}
		p.visible(t, 50)
		row, err := loadSpindles(p.store.Reader(context.Background()), []string{id("s3")})
		if err != nil {
			t.Fatal(err)
		}
		list, err := unpackFacts(row[id("s3")].facts, nil)
		if err != nil || len(list) != 10 {
			t.Errorf("%d facts, %v", len(list), err)
		}
	})
}

// BenchmarkEventToVisible records 500 events a second for some seconds, and
// reports how long after its commit each is part of an answer.
func BenchmarkEventToVisible(b *testing.B) {
	for b.Loop() {
		p := newPipeline(b, "")
		const rate, seconds = 500, 8
		var late []time.Duration
		committed := make(chan time.Time, rate*seconds)
		var watching sync.WaitGroup
		watching.Go(func() {
			for n := int64(1); n <= rate*seconds; n++ {
				at := <-committed
				p.visible(b, n)
				late = append(late, time.Since(at))
			}
		})
		tick := time.NewTicker(time.Second / rate)
		for n := range int64(rate * seconds) {
			<-tick.C
			if err := p.read(fmt.Sprint("s", n%997), 1+n/997, float64(n)); err != nil {
				b.Fatal(err)
			}
			committed <- time.Now()
		}
		tick.Stop()
		watching.Wait()
		slices.Sort(late)
		b.ReportMetric(float64(late[len(late)/2].Milliseconds()), "p50-ms")
		b.ReportMetric(float64(late[len(late)*99/100].Milliseconds()), "p99-ms")
	}
}
