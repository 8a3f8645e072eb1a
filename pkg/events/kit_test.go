package events

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// ledgerMigrations makes the derived rows of the test follower: for each
// entity the texts in the order in which they were applied.
var ledgerMigrations = db.Migrations{Name: "ledger", Files: fstest.MapFS{"00001_ledger.sql": {Data: []byte(`-- +goose Up
CREATE TABLE ledger (source TEXT NOT NULL, entity_id TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY (source, entity_id));
-- +goose Down
DROP TABLE ledger;
`)}}}

// ledger is a follower that depends on the order in which it gets events.
type ledger struct {
	entities map[string][]string
	mu       sync.Mutex
	refuse   map[string]string // text -> reason for parking
	fail     func(batch []Event) error
	applied  int
}

func newLedger(sourceAndTypes ...string) *ledger {
	l := &ledger{entities: map[string][]string{}, refuse: map[string]string{}}
	for n := 0; n < len(sourceAndTypes); n += 2 {
		l.entities[sourceAndTypes[n]] = append(l.entities[sourceAndTypes[n]], sourceAndTypes[n+1])
	}
	return l
}

func (l *ledger) Entities() map[string][]string { return l.entities }

func (l *ledger) setRefuse(text, reason string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if reason == "" {
		delete(l.refuse, text)
		return
	}
	l.refuse[text] = reason
}

func (l *ledger) setFail(f func([]Event) error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fail = f
}

func (l *ledger) Apply(tx *db.Tx, batch []Event) (map[int]string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fail != nil {
		if err := l.fail(batch); err != nil {
			return nil, err
		}
	}
	var park map[int]string
	for n, e := range batch {
		m, err := Decode(e)
		if err != nil {
			return nil, err
		}
		text := m.(*wrapperspb.StringValue).Value
		if reason := l.refuse[text]; reason != "" {
			if park == nil {
				park = map[int]string{}
			}
			park[n] = reason
			continue
		}
		if text == "panic" {
			panic("cannot fold this")
		}
		if len(text) > 20 {
			text = text[:20]
		}
		_, err = tx.Exec(`INSERT INTO ledger (source, entity_id, text) VALUES ($1, $2, $3)
			ON CONFLICT (source, entity_id) DO UPDATE SET text = ledger.text || ' ' || excluded.text`, e.Source, e.EntityID, text)
		if err != nil {
			return nil, err
		}
		l.applied++
	}
	return park, nil
}

func (l *ledger) Reset(tx *db.Tx) error {
	_, err := tx.Exec(`DELETE FROM ledger`)
	return err
}

// rows is what the ledger holds: "source/entity" -> texts.
func rows(t testing.TB, store *db.DB) map[string]string {
	t.Helper()
	r, err := store.Reader(t.Context()).Query(`SELECT source, entity_id, text FROM ledger`)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all := map[string]string{}
	for r.Next() {
		var source, id, text string
		if err := r.Scan(&source, &id, &text); err != nil {
			t.Fatal(err)
		}
		all[source+"/"+id] = text
	}
	return all
}

// engines runs f on both engines. PostgreSQL answers before its log is on disk:
// nothing here pulls the plug, and the fault tests of the whole do not use it.
func engines(t *testing.T, f func(t *testing.T, url string)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { f(t, "") })
	t.Run("postgresql", func(t *testing.T) { f(t, rig.PostgreSQL(t, rig.Relaxed())) })
}

func openStore(t testing.TB, url, service string, sets ...db.Migrations) *db.DB {
	t.Helper()
	folder := ""
	if url == "" {
		folder = t.TempDir()
	}
	return openStoreIn(t, url, folder, service, sets...)
}

func openStoreIn(t testing.TB, url, folder, service string, sets ...db.Migrations) *db.DB {
	t.Helper()
	store, err := db.Open(t.Context(), db.Config{Service: service, URL: url, Folder: folder, Migrations: sets})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Errorf("close the store: %v", err)
		}
	})
	return store
}

// origin is a source with its store, outbox and clock.
type origin struct {
	*Outbox
	t     testing.TB
	clock *clock.Manual
	last  map[string]int64
}

var start = time.Date(2031, 5, 4, 3, 2, 1, 0, time.UTC)

func newOrigin(t testing.TB, url, service string) *origin {
	t.Helper()
	return originOn(t, openStore(t, url, service, OutboxMigrations), service)
}

func originOn(t testing.TB, store *db.DB, service string) *origin {
	o := NewOutbox(store, service, clock.RandomIDs())
	o.Log = testLog(t)
	return &origin{Outbox: o, t: t, clock: clock.NewManual(start), last: map[string]int64{}}
}

// record appends one event for each text, all in one transaction.
func (o *origin) record(entity string, texts ...string) []Event {
	o.t.Helper()
	return o.recordAs("job", entity, texts...)
}

func (o *origin) recordAs(kind, entity string, texts ...string) []Event {
	o.t.Helper()
	notes := make([]note, len(texts))
	for n, text := range texts {
		notes[n] = note{kind, entity, text}
	}
	return o.recordAll(notes)
}

// note is one event to record.
type note struct{ kind, entity, text string }

// recordAll records events of any entities in one transaction.
func (o *origin) recordAll(notes []note) []Event {
	o.t.Helper()
	var list []Event
	var last map[string]int64
	err := o.store.Write(context.Background(), func(tx *db.Tx) error {
		list, last = list[:0], maps.Clone(o.last)
		for _, n := range notes {
			o.clock.Advance(time.Microsecond)
			last[n.entity]++
			e, err := o.Append(tx, Draft{Tenant: Network, EntityType: n.kind, EntityID: n.entity, Revision: last[n.entity],
				Happened: "noted", OccurredAt: o.clock.Now(), RecordedAt: o.clock.Now(), Body: wrapperspb.String(n.text)})
			if err != nil {
				return err
			}
			list = append(list, e)
		}
		return nil
	})
	if err != nil {
		o.t.Fatal(err)
	}
	o.last = last
	return list
}

// position gives positions without a relay.
func (o *origin) position() {
	o.t.Helper()
	for {
		if _, n, err := o.advance(context.Background(), -1, 1000); err != nil {
			o.t.Fatal(err)
		} else if n == 0 {
			return
		}
	}
}

// all reads the whole archive.
func (o *origin) all() []Event {
	o.t.Helper()
	var all []Event
	for {
		after := int64(0)
		if len(all) > 0 {
			after = all[len(all)-1].Position
		}
		list, _, _, err := o.Read(context.Background(), after, 0)
		if err != nil {
			o.t.Fatal(err)
		}
		if len(list) == 0 {
			return all
		}
		all = append(all, list...)
	}
}

// archiveOf reads outboxes directly.
func archiveOf(origins ...*origin) Archive {
	return func(ctx context.Context, source string, after int64, limit int) ([]Event, int64, int64, error) {
		for _, o := range origins {
			if o.service == source {
				return o.Read(ctx, after, limit)
			}
		}
		return nil, 0, 0, fmt.Errorf("no source %s", source)
	}
}

func newInbox(t testing.TB, store *db.DB, follow Follower, archive Archive) *Inbox {
	i := NewInbox(InboxConfig{Store: store, Service: "reader", Clock: clock.NewManual(start), Archive: archive, Follow: follow, Log: testLog(t)})
	i.pace = pace{lease: 20 * time.Millisecond, first: 50 * time.Millisecond, quiet: 300 * time.Millisecond,
		held: 100 * time.Millisecond, gather: time.Millisecond, missing: 20 * time.Millisecond}
	return i
}

func openReader(t testing.TB, url string) *db.DB {
	return openStore(t, url, "reader", InboxMigrations, ledgerMigrations)
}

// background runs f until the returned stop, which waits for its end; at the
// latest when the test ends.
func background(t testing.TB, f func(ctx context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			select {
			case err := <-done:
				if err != nil && !errors.Is(err, context.Canceled) {
					t.Errorf("ended with %v", err)
				}
			case <-time.After(20 * time.Second):
				t.Errorf("does not stop")
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

func (o *origin) relay(nc *nats.Conn) (stop func()) {
	return background(o.t, func(ctx context.Context) error { return o.Relay(ctx, nc) })
}

func (i *Inbox) start(t testing.TB, nc *nats.Conn) (stop func()) {
	return background(t, func(ctx context.Context) error { return i.Run(ctx, nc) })
}

// eventually waits for a condition.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !ok(); time.Sleep(3 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

// eventuallyRows waits until the ledger holds exactly this.
func eventuallyRows(t testing.TB, store *db.DB, want map[string]string) {
	t.Helper()
	var got map[string]string
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(3 * time.Millisecond) {
		if got = rows(t, store); sameRows(got, want) {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("not within 20 s: rows are %v, want %v", got, want)
		}
	}
}

func sameRows(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

func applied(t testing.TB, i *Inbox, source string) int64 {
	t.Helper()
	v, err := i.Applied(i.c.Store.Reader(t.Context()))
	if err != nil {
		t.Fatal(err)
	}
	return v[source]
}

func execute(t testing.TB, store *db.DB, statement string, args ...any) {
	t.Helper()
	err := store.Write(t.Context(), func(tx *db.Tx) error {
		_, err := tx.Exec(statement, args...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func number(t testing.TB, store *db.DB, query string, args ...any) int64 {
	t.Helper()
	var n sql.NullInt64
	if err := store.Reader(t.Context()).QueryRow(query, args...).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n.Int64
}

// testLog shows the log of a test that fails.
func testLog(t testing.TB) *slog.Logger {
	return slog.New(slog.NewTextHandler(testWriter{t}, nil))
}

type testWriter struct{ t testing.TB }

func (w testWriter) Write(p []byte) (int, error) {
	defer func() { _ = recover() }() // a line after the end of its test
	w.t.Log(string(p))
	return len(p), nil
}
