package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/rig"
)

func (p *pair) parked(t *testing.T, n int) []Parked {
	t.Helper()
	var list []Parked
	eventually(t, fmt.Sprintf("%d events parked", n), func() (ok bool) {
		var err error
		list, err = p.in.Parked(t.Context(), "", 100)
		return err == nil && len(list) == n
	})
	return list
}

func (p *pair) incomplete(t *testing.T) []string {
	t.Helper()
	m, err := p.in.Incomplete(p.in.c.Store.Reader(t.Context()))
	if err != nil {
		t.Fatal(err)
	}
	return m["origin"]
}

func TestAnEventThatCanNeverApplyIsParked(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.follow.setRefuse("bad", "no such mode")
		bad := p.o.record("a", "1", "bad", "3")[1]
		p.o.record("b", "1")
		p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 3", "origin/b": "1"})
		list := p.parked(t, 1)
		if got := list[0]; got.Event.ID != bad.ID || got.Reason != "no such mode" || got.Attempts != 1 || !got.ParkedAt.Equal(start) {
			t.Errorf("parked is %+v", got)
		}
		if got := p.incomplete(t); !slices.Equal(got, []string{"a"}) {
			t.Errorf("incomplete are %v, want a", got)
		}
		ok, reason, err := p.in.Retry(t.Context(), bad.ID)
		if ok || reason != "no such mode" || err != nil {
			t.Errorf("retry of what is still bad: %v, %q, %v", ok, reason, err)
		}
		if got := p.parked(t, 1)[0].Attempts; got != 2 {
			t.Errorf("%d attempts, want 2", got)
		}
		p.follow.setRefuse("bad", "")
		if ok, reason, err := p.in.Retry(t.Context(), bad.ID); !ok || reason != "" || err != nil {
			t.Errorf("retry of what is good now: %v, %q, %v", ok, reason, err)
		}
		p.rows(t, map[string]string{"origin/a": "1 3 bad", "origin/b": "1"})
		if got := p.incomplete(t); len(got) != 0 {
			t.Errorf("incomplete are %v after the retry", got)
		}
		if _, _, err := p.in.Retry(t.Context(), bad.ID); !fault.Is(err, faultv1.Reason_REASON_NOT_FOUND) {
			t.Errorf("a second retry: %v, want NOT_FOUND", err)
		}
	})
}

func TestAPayloadThatCannotBeReadIsParkedAlone(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		list := p.o.record("a", "1", "2", "3", "panic", "5")
		execute(t, p.o.store, `UPDATE outbox SET payload = $1 WHERE event_id = $2`, []byte{0x0a, 0xff}, list[1].ID)
		p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 3 5"})
		parked := p.parked(t, 2)
		reasons := parked[0].Reason + " | " + parked[1].Reason
		if !strings.Contains(reasons, "not a readable google.protobuf.StringValue") || !strings.Contains(reasons, "panicked: cannot fold this") {
			t.Errorf("reasons are %s", reasons)
		}
	})
}

func TestAnUnknownTypeWaitsForAnUpgrade(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		var upgraded atomic.Bool
		p.in.c.Known = func(string) bool { return upgraded.Load() }
		p.o.record("a", "1", "2")
		stop := p.in.start(t, p.nc)
		if got := p.parked(t, 2)[0].Reason; !strings.Contains(got, "google.protobuf.StringValue") {
			t.Errorf("the reason %q does not name the type", got)
		}
		if ok, reason, err := p.in.Retry(t.Context(), p.parked(t, 2)[0].Event.ID); ok || reason == "" || err != nil {
			t.Errorf("retry before the upgrade: %v, %q, %v", ok, reason, err)
		}
		stop()
		upgraded.Store(true)
		p.in.start(t, p.nc)
		p.rows(t, map[string]string{"origin/a": "1 2"})
		p.parked(t, 0)
		if got := p.incomplete(t); len(got) != 0 {
			t.Errorf("incomplete are %v", got)
		}
	})
}

func TestASkippedEventStaysGivenUp(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.follow.setRefuse("bad", "no such mode")
		bad := p.o.record("a", "1", "bad", "3")[1]
		p.in.start(t, p.nc)
		p.parked(t, 1)
		if err := p.in.Skip(t.Context(), bad.ID, "typed wrongly, agreed with the shop"); err != nil {
			t.Fatal(err)
		}
		p.parked(t, 0)
		if err := p.in.Skip(t.Context(), bad.ID, "again"); !fault.Is(err, faultv1.Reason_REASON_NOT_FOUND) {
			t.Errorf("a second skip: %v, want NOT_FOUND", err)
		}
		if _, err := p.in.Replay(t.Context()); err != nil {
			t.Fatal(err)
		}
		p.parked(t, 0)
		p.rows(t, map[string]string{"origin/a": "1 3"})
		if got := p.incomplete(t); !slices.Equal(got, []string{"a"}) {
			t.Errorf("incomplete are %v, want a: a fact is missing for good", got)
		}
	})
}

func TestParkedEventsArePaged(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.follow.setRefuse("bad", "no")
		for range 7 {
			p.o.record("a", "bad")
		}
		p.in.start(t, p.nc)
		p.parked(t, 7)
		seen := map[string]bool{}
		cursor, pages := "", 0
		for {
			page, err := p.in.Parked(t.Context(), cursor, 3)
			if err != nil {
				t.Fatal(err)
			}
			if len(page) == 0 {
				break
			}
			pages++
			for _, e := range page {
				seen[e.Event.ID] = true
			}
			cursor = page[len(page)-1].Cursor()
		}
		if len(seen) != 7 || pages != 3 {
			t.Errorf("%d events on %d pages, want 7 on 3", len(seen), pages)
		}
		for _, bad := range []string{"x", "1", "x/y"} {
			if _, err := p.in.Parked(t.Context(), bad, 3); !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN) {
				t.Errorf("cursor %q: %v, want BAD_PAGE_TOKEN", bad, err)
			}
		}
	})
}

func TestReplayGivesTheSame(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		p := newPair(t, url)
		p.follow.setRefuse("bad", "no")
		p.in.start(t, p.nc)
		for n := range 60 {
			p.o.record(fmt.Sprint("j", n%5), fmt.Sprint(n), []string{"good", "bad"}[n%2])
		}
		eventually(t, "all is applied", func() bool { return applied(t, p.in, "origin") == 120 })
		live := rows(t, p.in.c.Store)
		execute(t, p.in.c.Store, `UPDATE ledger SET text = 'spoilt' WHERE entity_id = 'j1'`)
		// Events go on while it replays.
		writing := background(t, func(context.Context) error {
			for n := range 50 {
				p.o.record("meanwhile", fmt.Sprint(n))
			}
			return nil
		})
		n, err := p.in.Replay(t.Context())
		if err != nil || n < 120 {
			t.Fatalf("%d events, %v", n, err)
		}
		writing()
		for n := range 50 {
			live["origin/meanwhile"] = strings.TrimSpace(live["origin/meanwhile"] + " " + fmt.Sprint(n))
		}
		p.rows(t, live)
		p.parked(t, 30)
	})
}

func TestReplayWithoutALiveInboxAndWithNothing(t *testing.T) {
	o := newOrigin(t, "", "origin")
	o.record("a", "1", "2")
	o.position()
	in := newInbox(t, openReader(t, ""), newLedger("origin", "job"), archiveOf(o))
	for range 2 {
		if n, err := in.Replay(t.Context()); n != 2 || err != nil {
			t.Errorf("%d events, %v", n, err)
		}
	}
	if got := rows(t, in.c.Store); !sameRows(got, map[string]string{"origin/a": "1 2"}) {
		t.Errorf("rows are %v", got)
	}
	idle := NewInbox(InboxConfig{Store: in.c.Store, Service: "reader"})
	if n, err := idle.Replay(t.Context()); n != 0 || err != nil {
		t.Errorf("an inbox that follows nothing: %d, %v", n, err)
	}
}

func TestAReplayThatIsCutShortIsFinishedByLiveConsumption(t *testing.T) {
	p := newPair(t, "")
	p.o.record("a", "1", "2")
	p.o.eventuallyMarked()
	var broken atomic.Bool
	whole := p.in.c.Archive
	p.in.c.Archive = func(ctx context.Context, source string, after int64, limit int) ([]Event, int64, int64, error) {
		if broken.Load() {
			return nil, 0, 0, errors.New("the source is away")
		}
		return whole(ctx, source, after, limit)
	}
	p.in.start(t, p.nc)
	p.rows(t, map[string]string{"origin/a": "1 2"})
	broken.Store(true)
	if _, err := p.in.Replay(t.Context()); err == nil {
		t.Fatal("a replay without an archive succeeded")
	}
	broken.Store(false)
	p.rows(t, map[string]string{"origin/a": "1 2"})
}

func TestAReplayThatFindsANewEpoch(t *testing.T) {
	o := newOrigin(t, "", "origin")
	o.record("a", "1", "2")
	o.position()
	in := newInbox(t, openReader(t, ""), newLedger("origin", "job"), archiveOf(o))
	if _, err := in.Replay(t.Context()); err != nil {
		t.Fatal(err)
	}
	beginEpoch(t, o)
	if n, err := in.Replay(t.Context()); n != 2 || err != nil {
		t.Errorf("%d events, %v", n, err)
	}
	if epoch := number(t, in.c.Store, `SELECT epoch FROM inbox_source`); epoch != 2 {
		t.Errorf("the inbox is in epoch %d, want 2", epoch)
	}
}

func beginEpoch(t *testing.T, o *origin) {
	t.Helper()
	err := o.store.Write(t.Context(), func(tx *db.Tx) error { _, err := o.BeginEpoch(tx); return err })
	if err != nil {
		t.Fatal(err)
	}
}

func TestARestoredSourceIsFoldedAnew(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		nc := rig.NATS(t)
		o := newOrigin(t, url, "origin")
		other := newOrigin(t, url, "other")
		in := newInbox(t, openReader(t, url), newLedger("origin", "job", "other", "job"), archiveOf(o, other))
		stopRelay := o.relay(nc)
		other.relay(nc)
		other.record("x", "1", "2")
		o.record("a", "1", "2", "3", "4")
		in.start(t, nc)
		eventuallyRows(t, in.c.Store, map[string]string{"origin/a": "1 2 3 4", "other/x": "1 2"})
		o.eventuallyMarked()
		stopRelay()
		execute(t, o.store, `DELETE FROM outbox WHERE position > 2`)
		execute(t, o.store, `UPDATE outbox_state SET next_position = 3, published = 2`)
		o.last["a"] = 2
		o.record("a", "another 3")
		o.relay(nc)
		eventuallyRows(t, in.c.Store, map[string]string{"origin/a": "1 2 another 3", "other/x": "1 2"})
		if epoch := number(t, in.c.Store, `SELECT epoch FROM inbox_source WHERE source = 'origin'`); epoch != 2 {
			t.Errorf("the inbox is in epoch %d, want 2", epoch)
		}
		// A late message of the epoch before.
		old := Event{ID: "old", Source: "origin", Tenant: Network, EntityType: "job", EntityID: "a", Revision: 4,
			Type: "google.protobuf.StringValue", Happened: "noted", OccurredAt: start, RecordedAt: start, Epoch: 1, Position: 4}
		if err := nc.PublishMsg(message(old)); err != nil {
			t.Fatal(err)
		}
		o.record("a", "another 4")
		eventuallyRows(t, in.c.Store, map[string]string{"origin/a": "1 2 another 3 another 4", "other/x": "1 2"})
	})
}
