package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"go.opentelemetry.io/otel/trace"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/rig"
)

func TestAnEventComesBackAsItWasRecorded(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		sc := trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1}, SpanID: trace.SpanID{2}, TraceFlags: trace.FlagsSampled})
		ctx := trace.ContextWithSpanContext(t.Context(), sc)
		var sent Event
		err := o.store.Write(ctx, func(tx *db.Tx) (err error) {
			sent, err = o.Append(tx, Draft{Tenant: "shop-1", EntityType: "job", EntityID: "j", Revision: 1, Happened: "noted",
				OccurredAt: start.Add(-time.Hour), RecordedAt: start.Add(1234 * time.Nanosecond), Body: wrapperspb.String("a"), Replaces: "older"})
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		if list, end, _, err := o.Read(t.Context(), 0, 10); err != nil || len(list) != 0 || end != 0 {
			t.Fatalf("before it has a position: %v, end %d, %v", list, end, err)
		}
		early, err := o.OfEntity(o.store.Reader(t.Context()), "j", 0, 10)
		if err != nil || len(early) != 1 || early[0].Position != 0 {
			t.Fatalf("of the entity, before it has a position: %v, %v", early, err)
		}
		o.position()
		list, end, epoch, err := o.Read(t.Context(), 0, 10)
		if err != nil || len(list) != 1 || end != 1 || epoch != 1 {
			t.Fatalf("got %v, end %d, epoch %d, %v", list, end, epoch, err)
		}
		want := sent
		want.Position, want.Epoch = 1, 1
		if got := list[0]; !sameEvent(got, want) {
			t.Errorf("got  %+v\nwant %+v", got, want)
		}
		if !strings.HasPrefix(sent.Traceparent, "00-01") || !strings.HasSuffix(sent.Traceparent, "-01") {
			t.Errorf("traceparent %q is not that of the command", sent.Traceparent)
		}
		if !sent.RecordedAt.Equal(start.Add(time.Microsecond)) {
			t.Errorf("recorded at %v, not cut to the microsecond", sent.RecordedAt)
		}
		m := message(want)
		back, err := fromMessage(m.Subject, m.Header, m.Data)
		if err != nil || !sameEvent(back, want) {
			t.Errorf("through a message: %+v, %v", back, err)
		}
		if again := FromProto(ToProto(want)); !sameEvent(again, want) {
			t.Errorf("through the contract: %+v", again)
		}
	})
}

func sameEvent(a, b Event) bool {
	return a.OccurredAt.Equal(b.OccurredAt) && a.RecordedAt.Equal(b.RecordedAt) && slices.Equal(a.Payload, b.Payload) && flat(a) == flat(b)
}

func flat(e Event) string {
	e.OccurredAt, e.RecordedAt, e.Payload = time.Time{}, time.Time{}, nil
	return fmt.Sprintf("%+v", e)
}

func TestTheSizeOfAnEvent(t *testing.T) {
	// A StringValue of n bytes, n from 2^14 to 2^21, encodes to n+4: one byte
	// of tag and three of length.
	const overhead = 4
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		for n, size := range []int{0, inlineLimit, inlineLimit + 1, 100_000, MaxSize - overhead} {
			o.record(fmt.Sprintf("e%d", n), strings.Repeat("x", size))
		}
		err := o.store.Write(t.Context(), func(tx *db.Tx) error {
			_, err := o.Append(tx, Draft{Tenant: Network, EntityType: "job", EntityID: "big", Revision: 1, Happened: "noted",
				OccurredAt: start, RecordedAt: start, Body: wrapperspb.String(strings.Repeat("x", MaxSize-overhead+1))})
			return err
		})
		if !fault.Is(err, faultv1.Reason_REASON_EVENT_TOO_LARGE) || !strings.Contains(err.Error(), "262145") || !strings.Contains(err.Error(), "262144") {
			t.Errorf("one byte too many: %v; want EVENT_TOO_LARGE with the size and the limit", err)
		}
		o.position()
		all := o.all()
		for n, size := range []int{0, inlineLimit, inlineLimit + 1, 100_000, MaxSize - overhead} {
			var v wrapperspb.StringValue
			if err := proto.Unmarshal(all[n].Payload, &v); err != nil || len(v.Value) != size {
				t.Errorf("a text of %d bytes came back with %d, %v", size, len(v.Value), err)
			}
		}
		if apart := number(t, o.store, `SELECT count(*) FROM outbox_body`); apart != 4 {
			t.Errorf("%d payloads lie apart, want the 4 above %d bytes", apart, inlineLimit)
		}
	})
}

func TestOneReadIsBoundedInBytes(t *testing.T) {
	o := newOrigin(t, "", "origin")
	for n := range 12 {
		o.record(fmt.Sprint(n), strings.Repeat("x", 250<<10))
	}
	o.position()
	list, _, _, err := o.Read(t.Context(), 0, 2000)
	if err != nil || len(list) != 9 { // the ninth reaches 2 MiB
		t.Errorf("%d events of 250 KiB at once, %v; want 9", len(list), err)
	}
	if all := o.all(); len(all) != 12 {
		t.Errorf("page by page %d events, want 12", len(all))
	}
}

func TestWhatCannotBeAnEventIsRefused(t *testing.T) {
	o := newOrigin(t, "", "origin")
	good := Draft{Tenant: Network, EntityType: "job", EntityID: "j", Revision: 1, Happened: "noted",
		OccurredAt: start, RecordedAt: start, Body: wrapperspb.String("a")}
	for _, c := range []struct {
		name  string
		spoil func(*Draft)
	}{
		{"a tenant with a dot", func(d *Draft) { d.Tenant = "a.b" }},
		{"no tenant", func(d *Draft) { d.Tenant = "" }},
		{"an entity type that is a wildcard", func(d *Draft) { d.EntityType = "*" }},
		{"a blank in what happened", func(d *Draft) { d.Happened = "was noted" }},
		{"no entity", func(d *Draft) { d.EntityID = "" }},
		{"revision 0", func(d *Draft) { d.Revision = 0 }},
		{"no body", func(d *Draft) { d.Body = nil }},
		{"no recording time", func(d *Draft) { d.RecordedAt = time.Time{} }},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := good
			c.spoil(&d)
			err := o.store.Write(t.Context(), func(tx *db.Tx) error { _, err := o.Append(tx, d); return err })
			if err == nil {
				t.Error("was recorded")
			}
		})
	}
	if n := number(t, o.store, `SELECT count(*) FROM outbox`); n != 0 {
		t.Errorf("%d rows stayed", n)
	}
}

func TestARevisionIsRecordedOnce(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		o.record("j", "a")
		err := o.store.Write(t.Context(), func(tx *db.Tx) error {
			_, err := o.Append(tx, Draft{Tenant: Network, EntityType: "job", EntityID: "j", Revision: 1, Happened: "noted",
				OccurredAt: start, RecordedAt: start, Body: wrapperspb.String("b")})
			return err
		})
		if !db.IsUnique(err) {
			t.Errorf("the same revision twice: %v, want a broken unique key", err)
		}
	})
}

func TestARolledBackCommandLeavesNoEvent(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		stop := errors.New("the command was refused")
		err := o.store.Write(t.Context(), func(tx *db.Tx) error {
			if _, err := o.Append(tx, Draft{Tenant: Network, EntityType: "job", EntityID: "j", Revision: 1, Happened: "noted",
				OccurredAt: start, RecordedAt: start, Body: wrapperspb.String("a")}); err != nil {
				return err
			}
			return stop
		})
		if !errors.Is(err, stop) {
			t.Fatal(err)
		}
		if n := number(t, o.store, `SELECT count(*) FROM outbox`); n != 0 {
			t.Errorf("%d rows stayed", n)
		}
		if len(o.wake) != 0 {
			t.Error("the relay was woken")
		}
	})
}

func TestPositionsAreGaplessAndFollowTheRevision(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		// Another process of the service, whose own count of events is far
		// ahead, and whose clock is behind.
		other := originOn(t, o.store, "origin")
		other.nth.Store(1 << 40)
		for n := range 40 {
			at := o
			if n%3 == 1 {
				at = other
			}
			id := fmt.Sprint("e", n%5)
			at.last[id] = max(o.last[id], other.last[id])
			if last := latest(o.clock, other.clock); at.clock.Now().Before(last) {
				at.clock.Set(last) // what a service's store does for an entity
			}
			at.record(id, fmt.Sprint(n))
			if n%7 == 0 {
				o.position()
			}
		}
		o.position()
		revisions := map[string]int64{}
		for n, e := range o.all() {
			if e.Position != int64(n+1) {
				t.Fatalf("event %d has position %d", n, e.Position)
			}
			if e.Revision != revisions[e.EntityID]+1 {
				t.Fatalf("revision %d of %s follows %d", e.Revision, e.EntityID, revisions[e.EntityID])
			}
			revisions[e.EntityID] = e.Revision
		}
	})
}

func latest(a, b *clock.Manual) time.Time {
	if a.Now().After(b.Now()) {
		return a.Now()
	}
	return b.Now()
}

func TestATransactionThatCommitsLateIsNotLeftOut(t *testing.T) {
	url := rig.PostgreSQL(t, rig.Relaxed())
	o := newOrigin(t, url, "origin")
	append1 := func(tx *db.Tx, id string) error {
		_, err := o.Append(tx, Draft{Tenant: Network, EntityType: "job", EntityID: id, Revision: 1, Happened: "noted",
			OccurredAt: start, RecordedAt: start, Body: wrapperspb.String(id)})
		return err
	}
	inserted, finish := make(chan struct{}), make(chan struct{})
	slow := background(t, func(ctx context.Context) error {
		return o.store.Write(ctx, func(tx *db.Tx) error {
			if err := append1(tx, "slow"); err != nil {
				return err
			}
			close(inserted)
			<-finish
			return nil
		})
	})
	<-inserted
	if err := o.store.Write(t.Context(), func(tx *db.Tx) error { return append1(tx, "quick") }); err != nil {
		t.Fatal(err)
	}
	o.position()
	close(finish)
	slow()
	o.position()
	var ids []string
	for _, e := range o.all() {
		ids = append(ids, fmt.Sprint(e.Position, e.EntityID))
	}
	if want := []string{"1quick", "2slow"}; !slices.Equal(ids, want) {
		t.Errorf("the archive gives %v, want %v", ids, want)
	}
}
