package events

import (
	"fmt"
	"maps"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlewright/pkg/db"
)

// TestAnyArrivalGivesTheSame offers the events of several entities in batches
// that are shuffled, repeated and full of holes, on both ways in, and compares
// with their plain order and with a replay.
func TestAnyArrivalGivesTheSame(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		o := newOrigin(t, url, "origin")
		store := openReader(t, url)
		rapid.Check(t, func(r *rapid.T) { anyArrival(t, r, o, store) })
	})
}

func anyArrival(t *testing.T, r *rapid.T, o *origin, store *db.DB) {
	o.t = t
	execute(t, o.store, `DELETE FROM outbox`)
	execute(t, o.store, `UPDATE outbox_state SET next_position = 1, published = 0`)
	clear(o.last)
	follow := newLedger("origin", "job")
	follow.setRefuse("bad", "no")
	want := map[string]string{}
	var notes []note
	for n := range rapid.IntRange(1, 25).Draw(r, "events") {
		id := fmt.Sprint("j", rapid.IntRange(0, 3).Draw(r, "entity"))
		kind := "job"
		if id == "j3" {
			kind = "other" // not followed
		}
		text := rapid.SampledFrom([]string{fmt.Sprint(n), fmt.Sprint(n), "bad"}).Draw(r, "text")
		notes = append(notes, note{kind, id, text})
		if kind == "job" && text != "bad" {
			want["origin/"+id] = strings.TrimSpace(want["origin/"+id] + " " + text)
		}
	}
	o.recordAll(notes)
	o.position()
	all := o.all()
	in := newInbox(t, store, follow, archiveOf(o))
	if err := in.reset(t.Context(), "origin", 1); err != nil {
		r.Fatal(err)
	}
	src := in.source("origin")
	take := func(step func() error) {
		if err := src.gated(t.Context(), step); err != nil {
			r.Fatal(err)
		}
	}
	take(func() error { _, err := src.load(t.Context()); return err })
	for range rapid.IntRange(0, 12).Draw(r, "batches") {
		batch := rapid.SliceOfN(rapid.SampledFrom(all), 1, 10).Draw(r, "batch")
		if rapid.IntRange(0, 4).Draw(r, "forgets") == 0 {
			src = in.source("origin") // a restart, or another process
			take(func() error { _, err := src.load(t.Context()); return err })
		}
		take(func() error { return src.advance(t.Context(), batch) })
	}
	take(func() error { return src.advance(t.Context(), all) })
	live := rows(t, store)
	if !maps.Equal(live, want) {
		r.Fatalf("live: %v, want %v", live, want)
	}
	if n, err := in.Replay(t.Context()); err != nil || n != int64(len(all)) {
		r.Fatalf("replay: %d of %d events, %v", n, len(all), err)
	}
	if got := rows(t, store); !maps.Equal(got, want) {
		r.Fatalf("replay: %v, want %v", got, want)
	}
}

// TestHeldEventsKeepTheOrder offers one entity's events in any order by
// revision alone, as if positions told nothing.
func TestHeldEventsKeepTheOrder(t *testing.T) {
	engines(t, func(t *testing.T, url string) {
		store := openReader(t, url)
		rapid.Check(t, func(r *rapid.T) { heldOrder(t, r, store) })
	})
}

func heldOrder(t *testing.T, r *rapid.T, store *db.DB) {
	in := newInbox(t, store, newLedger("origin", "job"), nil)
	src := in.source("origin")
	if err := in.reset(t.Context(), "origin", 1); err != nil {
		r.Fatal(err)
	}
	if _, err := src.load(t.Context()); err != nil {
		r.Fatal(err)
	}
	if err := src.adopt(t.Context(), 1); err != nil {
		r.Fatal(err)
	}
	var all []Event
	want := map[string]string{}
	for _, id := range []string{"a", "b"} {
		for n := range rapid.IntRange(0, 8).Draw(r, "revisions") {
			all = append(all, testEvent(id, int64(n+1)))
			want["origin/"+id] = strings.TrimSpace(want["origin/"+id] + " " + fmt.Sprint(n+1))
		}
	}
	if len(all) == 0 {
		return
	}
	order := rapid.Permutation(all).Draw(r, "order")
	order = append(order, rapid.SliceOf(rapid.SampledFrom(all)).Draw(r, "again")...)
	for len(order) > 0 {
		n := rapid.IntRange(1, len(order)).Draw(r, "batch")
		st := step{in: in, source: "origin", types: src.types, epoch: 1, batch: order[:n]}
		if _, err := st.run(t.Context()); err != nil {
			r.Fatal(err)
		}
		order = order[n:]
	}
	if got := rows(t, store); !maps.Equal(got, want) {
		r.Fatalf("got %v, want %v", got, want)
	}
	if _, held, err := in.Counts(t.Context()); held != 0 || err != nil {
		r.Fatalf("%d held at the end, %v", held, err)
	}
}

func testEvent(id string, revision int64) Event {
	// A StringValue is tag 1, length-delimited.
	text := fmt.Sprint(revision)
	return Event{ID: fmt.Sprint(id, revision), Source: "origin", Tenant: Network, EntityType: "job", EntityID: id, Revision: revision,
		Type: "google.protobuf.StringValue", Happened: "noted", OccurredAt: start, RecordedAt: start,
		Payload: append([]byte{0x0a, byte(len(text))}, text...), Epoch: 1, Position: revision}
}
