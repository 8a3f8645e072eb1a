package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// pair is a source with its relay, and a reader of it, not started.
type pair struct {
	nc     *nats.Conn
	o      *origin
	follow *ledger
	in     *Inbox
}

func newPair(t *testing.T, url string) *pair {
	p := &pair{nc: rig.NATS(t), follow: newLedger("origin", "job")}
	p.o = newOrigin(t, url, "origin")
	p.in = newInbox(t, openReader(t, url), p.follow, archiveOf(p.o))
	p.o.relay(p.nc)
	return p
}

func (p *pair) rows(t *testing.T, want map[string]string) {
	t.Helper()
	eventuallyRows(t, p.in.c.Store, want)
}

func TestEventsAreAppliedInOrderAndOnce(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		var told atomic.Int64
		p.in.c.Applied = func(v map[string]int64) { told.Store(v["origin"]) }
		stop := p.in.start(t, p.nc)
		want := map[string]string{}
		for n := range 200 {
			id := fmt.Sprint("j", n%7)
			p.o.record(id, fmt.Sprint(n))
			want["origin/"+id] = strings.TrimSpace(want["origin/"+id] + " " + fmt.Sprint(n))
		}
		p.o.recordAs("other", "x", "not followed")
		p.rows(t, want)
		eventually(t, "the position counts what is not followed", func() bool { return told.Load() == 201 && applied(t, p.in, "origin") == 201 })
		if n := number(t, p.in.c.Store, `SELECT count(*) FROM inbox`); n != 7 {
			t.Errorf("the inbox knows %d entities, want the 7 that are followed", n)
		}
		stop()
		p.o.record("j0", "while away")
		want["origin/j0"] += " while away"
		p.in.start(t, p.nc)
		p.rows(t, want)
	})
}

func TestDuplicatesInTheStreamAreDropped(t *testing.T) {
	p := newPair(t, "")
	p.o.record("a", "1", "2")
	p.o.record("b", "1")
	p.o.eventuallyMarked()
	for range 3 {
		for _, e := range p.o.all() {
			m := message(e)
			m.Header.Del(nats.MsgIdHdr)
			if err := p.nc.PublishMsg(m); err != nil {
				t.Fatal(err)
			}
		}
	}
	p.in.start(t, p.nc)
	p.o.record("b", "2")
	p.rows(t, map[string]string{"origin/a": "1 2", "origin/b": "1 2"})
}

func TestWhatTheStreamLacksComesFromTheArchive(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.o.record("a", "1", "2", "3", "4")
		p.o.eventuallyMarked()
		js, _ := jetstream.New(p.nc)
		s := stream(t, p.nc, "origin")
		if err := s.DeleteMsg(t.Context(), 2); err != nil {
			t.Fatal(err)
		}
		stop := p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2 3 4"})
		// Events that go from the stream before they were read, without any
		// later one to show it.
		stop()
		p.o.record("a", "5")
		p.o.eventuallyMarked()
		if err := s.Purge(t.Context()); err != nil {
			t.Fatal(err)
		}
		p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2 3 4 5"})
		if err := js.DeleteConsumer(t.Context(), streamName("origin"), "reader"); err != nil {
			t.Fatal(err)
		}
		p.o.record("a", "6")
		p.rows(t, map[string]string{"origin/a": "1 2 3 4 5 6"})
		if err := js.DeleteStream(t.Context(), streamName("origin")); err != nil {
			t.Fatal(err)
		}
		p.o.record("a", "7")
		p.rows(t, map[string]string{"origin/a": "1 2 3 4 5 6 7"})
	})
}

func TestAReaderThatComesLateStartsFromTheArchive(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		for n := range 30 {
			p.o.record(fmt.Sprint("j", n%3), slices.Repeat([]string{"x"}, 30)...)
		}
		p.o.eventuallyMarked()
		// The stream keeps only the last few.
		if err := stream(t, p.nc, "origin").Purge(t.Context(), jetstream.WithPurgeKeep(5)); err != nil {
			t.Fatal(err)
		}
		p.in.start(t, p.nc)
		all := strings.TrimSpace(strings.Repeat("x ", 300))
		p.rows(t, map[string]string{"origin/j0": all, "origin/j1": all, "origin/j2": all})
	})
}

func TestWithoutAStreamTheArchiveAloneWillDo(t *testing.T) {
	o := newOrigin(t, "", "origin")
	o.record("a", "1", "2")
	o.position()
	in := newInbox(t, openReader(t, ""), newLedger("origin", "job"), archiveOf(o))
	in.start(t, rig.NATS(t))
	eventuallyRows(t, in.c.Store, map[string]string{"origin/a": "1 2"})
}

func TestAnEventThatComesTooEarlyIsHeldAndOthersGoOn(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		nc := rig.NATS(t)
		o := newOrigin(t, url, "origin")
		o.record("a", "1", "2", "3")
		o.record("b", "1")
		o.record("a", "4")
		o.position()
		// An archive whose order within an entity is broken: 3 has its place
		// at the end.
		shuffle := map[int64]int64{1: 1, 2: 2, 3: 5, 4: 3, 5: 4}
		execute(t, o.store, `UPDATE outbox SET position = -position`)
		for from, to := range shuffle {
			execute(t, o.store, `UPDATE outbox SET position = $1 WHERE position = $2`, to, -from)
		}
		in := newInbox(t, openReader(t, url), newLedger("origin", "job"), archiveOf(o))
		src := in.source("origin")
		list := o.all()
		if err := src.gated(t.Context(), func() error {
			if _, err := src.load(t.Context()); err != nil {
				return err
			}
			return src.advance(t.Context(), list[:4])
		}); err != nil {
			t.Fatal(err)
		}
		if got, want := rows(t, in.c.Store), map[string]string{"origin/a": "1 2", "origin/b": "1"}; !sameRows(got, want) {
			t.Errorf("rows are %v, want %v", got, want)
		}
		if _, held, err := in.Counts(t.Context()); err != nil || held != 1 {
			t.Errorf("%d held, %v; want revision 4", held, err)
		}
		in.start(t, nc)
		eventuallyRows(t, in.c.Store, map[string]string{"origin/a": "1 2 3 4", "origin/b": "1"})
		eventually(t, "nothing is held", func() bool { _, held, err := in.Counts(t.Context()); return err == nil && held == 0 })
	})
}

func TestAGapThatDoesNotCloseIsFilledFromTheArchive(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.o.record("a", "1", "2", "3")
		p.o.record("b", "1")
		p.o.eventuallyMarked()
		src := p.in.source("origin")
		list := p.o.all()
		// A bug or a hand in the tables: revision 2 was counted as seen by
		// position but never applied.
		if _, err := src.load(t.Context()); err != nil {
			t.Fatal(err)
		}
		src.epoch = 1
		execute(t, p.in.c.Store, `UPDATE inbox_source SET epoch = 1`)
		st := step{in: p.in, source: "origin", types: src.types, epoch: 1, from: 0, to: 4, batch: []Event{list[0], list[2], list[3]}}
		if out, err := st.run(t.Context()); err != nil || out.held != 1 {
			t.Fatal(out, err)
		}
		p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2 3", "origin/b": "1"})
	})
}

func TestAFaultOfTheStoreIsRetriedAndNothingIsLost(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		var tries atomic.Int64
		p.follow.setFail(func(batch []Event) error {
			if tries.Add(1) < 4 {
				return errors.New("the disk is away")
			}
			return nil
		})
		p.o.record("a", "1", "2", "3")
		p.o.record("b", "1")
		p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2 3", "origin/b": "1"})
	})
}

func TestTwoInboxesOfOneStore(t *testing.T) {
	url := rig.PostgreSQL(t, rig.Relaxed())
	p := newPair(t, url)
	second := newInbox(t, openReader(t, url), p.follow, archiveOf(p.o))
	stop := p.in.start(t, p.nc)
	second.start(t, p.nc)
	want := ""
	for n := range 300 {
		p.o.record("a", fmt.Sprint(n))
		want = strings.TrimSpace(want + " " + fmt.Sprint(n))
		if n == 150 {
			stop() // the lease goes over
		}
	}
	p.rows(t, map[string]string{"origin/a": want})
}

func TestInboxesThatOverlapApplyOnce(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		want := ""
		for n := range 30 {
			o.record("a", slices.Repeat([]string{fmt.Sprint(n)}, 10)...)
			want = strings.TrimSpace(want + strings.Repeat(" "+fmt.Sprint(n), 10))
		}
		o.position()
		store := openReader(t, url)
		var waits []func()
		for range 3 { // as if the lease had not held them apart
			in := newInbox(t, store, newLedger("origin", "job"), archiveOf(o))
			waits = append(waits, background(t, func(ctx context.Context) error {
				src := in.source("origin")
				return src.gated(ctx, func() error {
					if _, err := src.load(ctx); err != nil {
						return err
					}
					for src.pos < 300 {
						batch, err := src.read(ctx, src.pos)
						if err != nil {
							return err
						}
						if err := src.foldAll(ctx, batch[:min(7, len(batch))]); err != nil {
							return err
						}
					}
					return nil
				})
			}))
		}
		eventuallyRows(t, store, map[string]string{"origin/a": want})
		for _, wait := range waits {
			wait()
		}
		if got := rows(t, store); !sameRows(got, map[string]string{"origin/a": want}) {
			t.Errorf("rows are %v", got)
		}
	})
}

func TestAnEntityTypeFollowedLaterIsCaughtUp(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.o.record("a", "1")
		p.o.recordAs("person", "p", "1", "2")
		p.o.record("a", "2")
		stop := p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2"})
		eventually(t, "all is seen", func() bool { return applied(t, p.in, "origin") == 4 })
		stop()
		later := newInbox(t, p.in.c.Store, newLedger("origin", "job", "origin", "person"), archiveOf(p.o))
		later.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2", "origin/p": "1 2"})
		p.o.recordAs("person", "p", "3")
		p.rows(t, map[string]string{"origin/a": "1 2", "origin/p": "1 2 3"})
	})
}

func TestManySourcesAndFollowers(t *testing.T) {
	nc := rig.NATS(t)
	a, b := newOrigin(t, "", "left"), newOrigin(t, "", "right")
	first := newLedger("left", "job", "right", "job")
	var seen atomic.Int64
	second := &counter{Follower: newLedger("right", "job"), n: &seen}
	var none Follower
	in := newInbox(t, openReader(t, ""), Combine(first, none, second), archiveOf(a, b))
	a.relay(nc)
	b.relay(nc)
	in.start(t, nc)
	a.record("x", "1", "2")
	b.record("x", "1", "2", "3")
	eventuallyRows(t, in.c.Store, map[string]string{"left/x": "1 2", "right/x": "1 2 3"})
	eventually(t, "the second follower saw what it follows", func() bool { return seen.Load() == 3 })
}

// counter counts instead of applying.
type counter struct {
	Follower
	n *atomic.Int64
}

func (c *counter) Apply(_ *db.Tx, batch []Event) (map[int]string, error) {
	c.n.Add(int64(len(batch)))
	return nil, nil
}

func (c *counter) Reset(*db.Tx) error { c.n.Store(0); return nil }
