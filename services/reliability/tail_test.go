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
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	"spindlewright/pkg/rig"
)

// runTail works a service's tail until the test ends.
func runTail(t *testing.T, s *Service) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// reached waits until a service answers with so many hours.
func reached(t *testing.T, s *Service, hours float64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(as(engineer), 10*time.Second)
	defer cancel()
	_, ok := s.tail.await(ctx, func(snap *snapshot) bool {
		q, err := readQuestion(snap, engineer, nil, s.limits)
		if err != nil {
			t.Fatal(err)
		}
		m, err := q.mtbr()
		return err == nil && m.Rows[0].ExposureHours == hours
	})
	if !ok {
		t.Fatalf("%g h were not reached", hours)
	}
}

func TestEveryReplicaSeesWhatOneProjects(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		nc := rig.NATS(t)
		store := openStore(t, url, t.TempDir())
		replica := func(n Nudger, poll time.Duration) *Service {
			s, err := New(Deps{Store: store, Clock: clock.System(), Nudger: n})
			if err != nil {
				t.Fatal(err)
			}
			s.tail.poll = poll
			runTail(t, s)
			return s
		}
		projector := replica(NATSNudger(nc), time.Hour)
		nudged := replica(NATSNudger(nc), time.Hour)
		polled := replica(nil, 20*time.Millisecond)
		reached(t, nudged, 0)
		write := func(list []events.Event) {
			err := store.Write(context.Background(), func(tx *db.Tx) error {
				_, err := projector.follow.Apply(tx, list)
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		write(story().list)
		for _, s := range []*Service{projector, nudged, polled} {
			reached(t, s, 2170)
		}
		more := story()
		more.list = nil
		more.seen("one", 310, 2000)
		write(more.list)
		for _, s := range []*Service{projector, nudged, polled} {
			reached(t, s, 2270)
		}
		if err := store.Write(context.Background(), func(tx *db.Tx) error { return projector.follow.Reset(tx) }); err != nil {
			t.Fatal(err)
		}
		for _, s := range []*Service{projector, nudged, polled} {
			reached(t, s, 0)
		}
	})
}

func TestAReaderFarBehindLoadsEverything(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store := openStore(t, url, t.TempDir())
		d, far := newDesk(t, store), newDesk(t, store)
		d.applyAll(story().list, 3)
		far.refresh()
		if err := store.Write(context.Background(), func(tx *db.Tx) error {
			_, err := tx.Exec(`DELETE FROM change`)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		more := story()
		more.list = nil
		more.seen("one", 310, 2000)
		d.applyAll(more.list, 1)
		if got, want := far.everything(), newDesk(t, store).everything(); got != want {
			t.Errorf("got %s\nwant %s", got, want)
		}
	})
}

func TestTheChangeLogStaysShort(t *testing.T) {
	store := openStore(t, "", t.TempDir())
	d := newDesk(t, store)
	a := newAuthor()
	a.spindle("one", "m", "c")
	for i := range keptVersions + 50 {
		a.seen("one", i, float64(i))
	}
	for part := range slices.Chunk(a.list, 1) {
		d.apply(part...)
	}
	var n int
	if err := store.Reader(context.Background()).QueryRow(`SELECT count(*) FROM change`).Scan(&n); err != nil || n != keptVersions {
		t.Errorf("%d versions are kept, %v; want %d", n, err, keptVersions)
	}
}

// Questions run while snapshots are swapped; each sees one whole state. Every
// batch adds one repair and 100 h to a spindle, so that hours and repairs of
// an answer always agree.
func TestQuestionsDuringSwapsSeeWholeStates(t *testing.T) {
	store := openStore(t, "", t.TempDir())
	s, err := New(Deps{Store: store, Clock: clock.System()})
	if err != nil {
		t.Fatal(err)
	}
	runTail(t, s)
	reached(t, s, 0)
	const rounds = 60
	stop := make(chan struct{})
	var asking sync.WaitGroup
	for range 4 {
		asking.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				got, err := s.QueryMtbr(as(engineer), &reliabilityv1.QueryMtbrRequest{Question: &reliabilityv1.Question{GroupBy: []string{"shop", "mode"}}})
				if err != nil {
					t.Error(err)
					return
				}
				for _, r := range got.Rows {
					if r.ExposureHours != 100*float64(r.Repairs) {
						t.Errorf("%d repairs in %g h", r.Repairs, r.ExposureHours)
						return
					}
				}
			}
		})
	}
	a := newAuthor()
	a.shop("RIV")
	for n := range 40 {
		a.order(stay{name: fmt.Sprint("first", n), spindle: fmt.Sprint("s", n), model: "m", customer: "c", shop: "RIV", mode: "noise", hours: 0, from: 1, to: 2})
	}
	for round := range rounds {
		name := fmt.Sprint("s", round*7%40)
		age := float64(100 * (round/40 + 1))
		a.order(stay{name: fmt.Sprint("o", round), spindle: name, model: "m", customer: "c", shop: "RIV", mode: "noise", hours: age, from: 10 + 10*round, to: 15 + 10*round})
	}
	apply := func(list []events.Event) {
		err := store.Write(context.Background(), func(tx *db.Tx) error {
			_, err := s.follow.Apply(tx, list)
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
	apply(a.list[:1+40*4])
	for part := range slices.Chunk(a.list[1+40*4:], 4) {
		apply(part)
	}
	reached(t, s, 100*rounds)
	close(stop)
	asking.Wait()
}

func TestNudgesReachEveryProcess(t *testing.T) {
	nc := rig.NATS(t)
	heard := make(chan struct{}, 1)
	stop, err := NATSNudger(nc).Listen(func() { heard <- struct{}{} })
	if err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	NATSNudger(nc).Nudge()
	select {
	case <-heard:
	case <-time.After(10 * time.Second):
		t.Fatal("not heard")
	}
	stop()
	nc.Close()
	if _, err := NATSNudger(nc).Listen(func() {}); err == nil {
		t.Error("a closed connection hears")
	}
	NATSNudger(nc).Nudge() // must not fail: the poll finds it
}
