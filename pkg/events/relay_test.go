package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// published gives what the stream holds, in its order; nothing while it is
// being replaced.
func published(t testing.TB, nc *nats.Conn, source string) []Event {
	t.Helper()
	s := stream(t, nc, source)
	if s == nil {
		return nil
	}
	info, err := s.Info(t.Context())
	if err != nil {
		return nil
	}
	var list []Event
	for seq := info.State.FirstSeq; seq <= info.State.LastSeq && info.State.Msgs > 0; seq++ {
		m, err := s.GetMsg(t.Context(), seq)
		if err != nil {
			return nil
		}
		e, err := fromMessage(m.Subject, m.Header, m.Data)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, e)
	}
	return list
}

func stream(t testing.TB, nc *nats.Conn, source string) jetstream.Stream {
	t.Helper()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(t.Context(), streamName(source))
	if err != nil {
		return nil
	}
	return s
}

func eventuallyPublished(t testing.TB, nc *nats.Conn, source string, n int) []Event {
	t.Helper()
	var list []Event
	eventually(t, fmt.Sprintf("%d events in the stream", n), func() bool {
		list = published(t, nc, source)
		return len(list) == n
	})
	return list
}

func (o *origin) eventuallyMarked() {
	o.t.Helper()
	eventually(o.t, "everything is marked as published", func() bool {
		end, open, _, err := o.State(context.Background())
		return err == nil && open == 0 && end > 0
	})
}

func TestTheRelayPublishesInOrder(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		nc := rig.NATS(t)
		o := newOrigin(t, url, "origin")
		for n := range 30 {
			o.record(fmt.Sprint("before", n%4), fmt.Sprint(n))
		}
		o.relay(nc)
		eventuallyPublished(t, nc, "origin", 30)
		for n := range 70 { // more than one batch
			o.record(fmt.Sprint("after", n%9), slices.Repeat([]string{fmt.Sprint(n)}, 10)...)
		}
		list := eventuallyPublished(t, nc, "origin", 730)
		for n, want := range o.all() {
			if !sameEvent(list[n], want) {
				t.Fatalf("message %d is %+v, want %+v", n, list[n], want)
			}
		}
		o.eventuallyMarked()
		m, err := stream(t, nc, "origin").GetMsg(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		for name, want := range map[string]string{
			nats.MsgIdHdr: list[0].ID, "ce-id": list[0].ID, "ce-type": "google.protobuf.StringValue",
			"ce-source": "/spindlewright/origin", "ce-subject": "before0", "ce-specversion": "1.0", "sw-position": "1", "sw-epoch": "1",
		} {
			if got := m.Header.Get(name); got != want {
				t.Errorf("header %s is %q, want %q", name, got, want)
			}
		}
		if want := "spindlewright.v1.network.origin.job.noted"; m.Subject != want {
			t.Errorf("subject %s, want %s", m.Subject, want)
		}
	})
}

func TestARelayThatDiedBeforeItMarkedPublishesNothingTwice(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		nc := rig.NATS(t)
		o := newOrigin(t, url, "origin")
		o.record("a", "1", "2", "3", "4", "5")
		stop := o.relay(nc)
		o.eventuallyMarked()
		stop()
		for _, mark := range []int{0, 3} {
			execute(t, o.store, `UPDATE outbox_state SET published = $1`, mark)
			stop := o.relay(nc)
			o.eventuallyMarked()
			stop()
		}
		// Without the stream's own memory of message ids too.
		js, _ := jetstream.New(nc)
		c := stream(t, nc, "origin").CachedInfo().Config
		c.Duplicates = 100 * time.Millisecond
		if _, err := js.UpdateStream(t.Context(), c); err != nil {
			t.Fatal(err)
		}
		execute(t, o.store, `UPDATE outbox_state SET published = 0`)
		o.relay(nc)
		o.eventuallyMarked()
		if list := published(t, nc, "origin"); len(list) != 5 {
			t.Errorf("the stream holds %d messages, want 5", len(list))
		}
	})
}

func TestALostStreamIsFilledAgain(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		nc := rig.NATS(t)
		o := newOrigin(t, url, "origin")
		o.record("old", "1", "2", "3")
		o.clock.Advance(retention + time.Hour)
		o.record("new", "4", "5")
		stop := o.relay(nc)
		o.eventuallyMarked()
		js, _ := jetstream.New(nc)
		lose := func() {
			if err := js.DeleteStream(t.Context(), streamName("origin")); err != nil {
				t.Fatal(err)
			}
		}
		positions := func(n int) (list []int64) {
			for _, e := range eventuallyPublished(t, nc, "origin", n) {
				list = append(list, e.Position)
			}
			return list
		}
		lose()
		o.record("new", "6") // while the relay runs
		if got := positions(3); !slices.Equal(got, []int64{4, 5, 6}) {
			t.Errorf("positions %v after a loss at run time, want those within the retention: 4 5 6", got)
		}
		stop()
		lose()
		o.relay(nc)
		if got := positions(3); !slices.Equal(got, []int64{4, 5, 6}) {
			t.Errorf("positions %v after a loss at rest, want 4 5 6", got)
		}
		o.eventuallyMarked()
	})
}

func TestAStreamThatFellBehindIsContinued(t *testing.T) {
	nc := rig.NATS(t)
	o := newOrigin(t, "", "origin")
	o.record("a", "1", "2", "3", "4", "5")
	o.position()
	// A stream restored from a copy that ends at position 3.
	js, _ := jetstream.New(nc)
	if _, err := openStream(t.Context(), js, "origin", 1); err != nil {
		t.Fatal(err)
	}
	if sent, err := publishSingly(t.Context(), js, streamName("origin"), o.all()[:3]); sent != 3 || err != nil {
		t.Fatal(sent, err)
	}
	execute(t, o.store, `UPDATE outbox_state SET published = 5`)
	o.relay(nc)
	list := eventuallyPublished(t, nc, "origin", 5)
	if list[4].Position != 5 {
		t.Errorf("the stream ends with position %d", list[4].Position)
	}
}

func TestAFullStreamLosesNothing(t *testing.T) {
	nc := rig.NATS(t)
	o := newOrigin(t, "", "origin")
	js, _ := jetstream.New(nc)
	if _, err := openStream(t.Context(), js, "origin", 1); err != nil {
		t.Fatal(err)
	}
	c := stream(t, nc, "origin").CachedInfo().Config
	c.MaxMsgs = 3
	if _, err := js.UpdateStream(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	o.relay(nc)
	for n := range 8 {
		o.record("a", fmt.Sprint(n))
	}
	eventuallyPublished(t, nc, "origin", 3)
	eventually(t, "the lag shows", func() bool { return o.lag.Load() == 5 })
	// New rows still get their positions: the archive goes on.
	eventually(t, "the archive is complete", func() bool { return len(o.all()) == 8 })
	c.MaxMsgs = -1
	if _, err := js.UpdateStream(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	list := eventuallyPublished(t, nc, "origin", 8)
	for n, e := range list {
		if e.Position != int64(n+1) {
			t.Errorf("message %d has position %d", n, e.Position)
		}
	}
}

func TestTwoRelaysOfOneStore(t *testing.T) {
	nc := rig.NATS(t)
	url := rig.PostgreSQL(t, rig.Relaxed())
	a := newOrigin(t, url, "origin")
	b := newOrigin(t, url, "origin")
	stopA := a.relay(nc)
	a.record("a", "1")
	a.eventuallyMarked()
	b.relay(nc)
	const each = 200
	writers := []func(){}
	for _, o := range []*origin{a, b} {
		name := fmt.Sprintf("by %p", o)
		writers = append(writers, background(t, func(context.Context) error {
			for n := range each {
				o.record(name, fmt.Sprint(n))
			}
			return nil
		}))
	}
	stopA() // in the midst of it; the lease goes over
	for _, wait := range writers {
		wait()
	}
	list := eventuallyPublished(t, nc, "origin", 2*each+1)
	seen := map[string]bool{}
	for n, e := range list {
		if e.Position != int64(n+1) || seen[e.ID] {
			t.Fatalf("message %d has position %d, seen before: %v", n, e.Position, seen[e.ID])
		}
		seen[e.ID] = true
	}
}

func TestTheHolderOfTheLeaseIsWokenByOtherProcesses(t *testing.T) {
	nc := rig.NATS(t)
	url := rig.PostgreSQL(t, rig.Relaxed())
	a, b := newOrigin(t, url, "origin"), newOrigin(t, url, "origin")
	a.relay(nc)
	a.record("a", "1")
	a.eventuallyMarked()
	b.relay(nc)
	woken := make(chan struct{}, 100)
	sub, err := nc.Subscribe(wakeSubject("origin"), func(*nats.Msg) { woken <- struct{}{} })
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	b.record("b", "1")
	select {
	case <-woken:
	case <-time.After(10 * time.Second):
		t.Fatal("a commit in the process without the lease woke nobody")
	}
	eventuallyPublished(t, nc, "origin", 2)
}

func TestAStoreBehindItsStreamBeginsAnEpoch(t *testing.T) {
	for _, c := range []struct {
		name   string
		before func(*origin) // what the restored store has recorded since
	}{
		{"nothing recorded since", func(*origin) {}},
		{"other events took the places", func(o *origin) { o.last["a"] = 2; o.record("a", "other 3", "other 4"); o.position() }},
	} {
		t.Run(c.name, func(t *testing.T) {
			engines(t, func(t *testing.T, url string) {
				nc := rig.NATS(t)
				o := newOrigin(t, url, "origin")
				o.record("a", "1", "2", "3", "4")
				stop := o.relay(nc)
				o.eventuallyMarked()
				stop()
				// The store as a backup had it.
				err := o.store.Write(t.Context(), func(tx *db.Tx) error {
					_, err := tx.Exec(`DELETE FROM outbox WHERE position > 2`)
					if err == nil {
						_, err = tx.Exec(`UPDATE outbox_state SET next_position = 3, published = 2`)
					}
					return err
				})
				if err != nil {
					t.Fatal(err)
				}
				c.before(o)
				o.relay(nc)
				eventually(t, "the stream is that of epoch 2", func() bool {
					list := published(t, nc, "origin")
					return len(list) == len(o.all()) && list[0].Epoch == 2
				})
				for n, e := range published(t, nc, "origin") {
					if want := o.all()[n]; !sameEvent(e, want) {
						t.Errorf("message %d is %+v, want %+v", n, e, want)
					}
				}
			})
		})
	}
}

func TestAnOperatorsEpochReachesARunningRelay(t *testing.T) {
	nc := rig.NATS(t)
	o := newOrigin(t, "", "origin")
	o.record("a", "1", "2")
	o.relay(nc)
	o.eventuallyMarked()
	var epoch int64
	err := o.store.Write(t.Context(), func(tx *db.Tx) (err error) { epoch, err = o.BeginEpoch(tx); return err })
	if err != nil || epoch != 2 {
		t.Fatal(epoch, err)
	}
	eventually(t, "the stream is that of epoch 2", func() bool {
		list := published(t, nc, "origin")
		return len(list) == 2 && list[1].Epoch == 2
	})
}

func TestEventsWaitForABusThatIsAway(t *testing.T) {
	server := rig.NATSServer(t)
	nc, err := nats.Connect(server.URL, nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond), nats.RetryOnFailedConnect(true))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	o := newOrigin(t, "", "origin")
	o.record("a", "1")
	o.relay(nc)
	o.eventuallyMarked()
	if err := server.Kill(); err != nil {
		t.Fatal(err)
	}
	o.record("a", "2", "3")
	eventually(t, "the archive goes on without the bus", func() bool { return len(o.all()) == 3 })
	if err := server.Restart(); err != nil {
		t.Fatal(err)
	}
	list := eventuallyPublished(t, nc, "origin", 3)
	if got := fmt.Sprint(list[0].Position, list[1].Position, list[2].Position); got != "1 2 3" {
		t.Errorf("positions %s", got)
	}
}

func TestStreamNames(t *testing.T) {
	if got := streamName("work-flow"); got != "SW_WORK_FLOW" || strings.ContainsAny(got, ".* >") {
		t.Errorf("got %s", got)
	}
}

func TestABatchThatIsRefusedAsOneIsSentSingly(t *testing.T) {
	nc := rig.NATS(t)
	o := newOrigin(t, "", "origin")
	for n := range 30 {
		o.record("a", fmt.Sprint(n))
	}
	o.position()
	all := o.all()
	js, _ := jetstream.New(nc)
	if _, err := openStream(t.Context(), js, "origin", 1); err != nil {
		t.Fatal(err)
	}
	r := &relay{o: o.Outbox, nc: nc, js: js, atomic: true}
	if sent, err := r.publish(t.Context(), all[:13]); sent != 13 || err != nil {
		t.Fatal(sent, err)
	}
	if m, err := stream(t, nc, "origin").GetMsg(t.Context(), 13); err != nil || m.Header.Get("Nats-Batch-Sequence") != "13" {
		t.Errorf("13 events did not go as one batch: %v, %v", m, err)
	}
	err := publishAtomic(t.Context(), nc, streamName("origin"), all)
	var refused *jetstream.APIError
	if !errors.As(err, &refused) {
		t.Fatalf("a batch with messages that are there: %v, want an error of the server", err)
	}
	if sent, err := r.publish(t.Context(), all); sent != 30 || err != nil {
		t.Fatal(sent, err)
	}
	list := published(t, nc, "origin")
	if len(list) != 30 {
		t.Fatalf("the stream holds %d events, want 30", len(list))
	}
	for n, e := range list {
		if !sameEvent(e, all[n]) {
			t.Errorf("message %d is %+v, want %+v", n, e, all[n])
		}
	}
}
