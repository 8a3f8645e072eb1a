package access

import (
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/pkg/rig"
)

func oneToken(person, token string, moot time.Time) *accessv1.TokensRevoked {
	return &accessv1.TokensRevoked{PersonId: person, TokenId: token, MootAt: timestamppb.New(moot)}
}

func allUntil(person string, until, moot time.Time) *accessv1.TokensRevoked {
	return &accessv1.TokensRevoked{PersonId: person, IssuedUntil: timestamppb.New(until), MootAt: timestamppb.New(moot)}
}

func addRevocation(t *testing.T, store *db.DB, r *Revocations, m *accessv1.TokensRevoked) {
	t.Helper()
	if err := store.Write(context.Background(), func(tx *db.Tx) error { return r.Add(tx, m) }); err != nil {
		t.Fatal(err)
	}
}

func event(t *testing.T, m proto.Message) events.Event {
	t.Helper()
	payload, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return events.Event{Type: string(m.ProtoReflect().Descriptor().FullName()), Payload: payload}
}

func countRevocations(t *testing.T, store *db.DB) (n int) {
	t.Helper()
	if err := store.Reader(context.Background()).QueryRow(`SELECT count(*) FROM revocation`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestRevocations(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		ctx, store, wall := context.Background(), openStore(t, url), manual()
		r, replica := NewRevocations(store, wall), NewRevocations(store, wall)
		moot := start.Add(time.Hour)
		token := func(person, id string, issued time.Time) Principal {
			return Principal{ID: person, TokenID: id, IssuedAt: issued}
		}
		batch := []events.Event{
			event(t, &accessv1.PersonRecorded{PersonId: "p1", Suspended: true}),
			event(t, oneToken("p1", "t1", moot)),
			event(t, allUntil("p2", start, moot)),
			event(t, allUntil("p2", start.Add(-time.Minute), moot.Add(-time.Minute))), // narrower, must not win
			{Type: revokedType, Payload: []byte{0xff}},
		}
		for range 2 { // a batch may come again
			err := store.Write(ctx, func(tx *db.Tx) error {
				park, err := r.Apply(tx, batch)
				if len(park) != 1 || park[4] == "" {
					t.Errorf("parked %v, want the unreadable one", park)
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		if n := countRevocations(t, store); n != 2 {
			t.Errorf("%d rows, want 2", n)
		}
		if replica.Revoked(token("p1", "t1", start)) {
			t.Error("a replica knows before it looked")
		}
		if err := replica.Load(ctx); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name string
			p    Principal
			want bool
		}{
			{"the named token", token("p1", "t1", start), true},
			{"another token of the person", token("p1", "t2", start), false},
			{"issued at the time", token("p2", "t3", start), true},
			{"issued before", token("p2", "t4", start.Add(-time.Hour)), true},
			{"issued a microsecond later", token("p2", "t5", start.Add(time.Microsecond)), false},
			{"another person", token("p3", "t6", start.Add(-time.Hour)), false},
		} {
			if got := r.Revoked(c.p); got != c.want {
				t.Errorf("%s: revoked is %v", c.name, got)
			}
			if got := replica.Revoked(c.p); got != c.want {
				t.Errorf("%s: revoked on the replica is %v", c.name, got)
			}
		}
		// A replay folds the same events again; meanwhile nothing is honoured.
		if err := store.Write(ctx, r.Reset); err != nil {
			t.Fatal(err)
		}
		if err := r.Load(ctx); err != nil || !r.Revoked(token("p1", "t1", start)) {
			t.Errorf("a replay forgets (%v)", err)
		}
	})
}

func TestRolledBackRevocationIsNotInForce(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store := openStore(t, url)
		r := NewRevocations(store, manual())
		err := store.Write(context.Background(), func(tx *db.Tx) error {
			if err := r.Add(tx, oneToken("p1", "t1", start.Add(time.Hour))); err != nil {
				return err
			}
			return context.Canceled
		})
		if err == nil || r.Revoked(Principal{ID: "p1", TokenID: "t1"}) || countRevocations(t, store) != 0 {
			t.Errorf("a revocation outlived its transaction (%v)", err)
		}
	})
}

func TestRunSeesReplicasAndSweeps(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store, wall := openStore(t, url), manual()
		writer, reader := NewRevocations(store, wall), NewRevocations(store, wall)
		addRevocation(t, store, writer, oneToken("p1", "old", start.Add(-time.Second)))
		addRevocation(t, store, writer, oneToken("p1", "fresh", start.Add(time.Hour)))
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- reader.Run(ctx, slog.New(slog.DiscardHandler)) }()
		eventually(t, "the reader knows the fresh one", func() bool { return reader.Revoked(Principal{ID: "p1", TokenID: "fresh"}) })
		eventually(t, "the moot one is swept", func() bool { return countRevocations(t, store) == 1 })
		addRevocation(t, store, writer, oneToken("p1", "later", start.Add(time.Hour)))
		eventually(t, "the reader knows the later one", func() bool { return reader.Revoked(Principal{ID: "p1", TokenID: "later"}) })
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// A reload never loses what a commit of this process put in meanwhile.
func TestReloadsBesideCommits(t *testing.T) {
	store := openStore(t, "")
	r := NewRevocations(store, manual())
	stop := make(chan struct{})
	var reloads sync.WaitGroup
	reloads.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
				if err := r.Load(context.Background()); err != nil {
					t.Error(err)
					return
				}
			}
		}
	})
	ids := clock.RandomIDs()
	for range 200 {
		id := ids.New()
		addRevocation(t, store, r, oneToken("p", id, start.Add(time.Hour)))
		for range 3 {
			if !r.Revoked(Principal{ID: "p", TokenID: id}) {
				t.Fatal("a committed revocation is not in force")
			}
		}
	}
	close(stop)
	reloads.Wait()
}

// Whatever order revocations come in, the set says what the list of them says.
func TestRevokedIsTheUnionOfRevocations(t *testing.T) {
	store := openStore(t, "")
	rapid.Check(t, func(rt *rapid.T) {
		if err := store.Write(context.Background(), func(tx *db.Tx) error {
			_, err := tx.Exec(`DELETE FROM revocation`)
			return err
		}); err != nil {
			rt.Fatal(err)
		}
		r := NewRevocations(store, manual())
		person, minute := rapid.SampledFrom([]string{"p1", "p2"}), rapid.IntRange(0, 5)
		at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
		var all []*accessv1.TokensRevoked
		for range rapid.IntRange(0, 8).Draw(rt, "revocations") {
			m := allUntil(person.Draw(rt, "person"), at(minute.Draw(rt, "until")), start.Add(time.Hour))
			if rapid.Bool().Draw(rt, "one token") {
				m = oneToken(m.PersonId, rapid.SampledFrom([]string{"t1", "t2"}).Draw(rt, "token"), start.Add(time.Hour))
			}
			all = append(all, m)
			addRevocation(t, store, r, m)
		}
		loaded := NewRevocations(store, manual())
		if err := loaded.Load(context.Background()); err != nil {
			rt.Fatal(err)
		}
		p := Principal{ID: person.Draw(rt, "who"), TokenID: rapid.SampledFrom([]string{"t1", "t2", "t3"}).Draw(rt, "whose"), IssuedAt: at(minute.Draw(rt, "issued"))}
		want := false
		for _, m := range all {
			want = want || m.TokenId == p.TokenID || m.TokenId == "" && m.PersonId == p.ID && !p.IssuedAt.After(m.IssuedUntil.AsTime())
		}
		if r.Revoked(p) != want || loaded.Revoked(p) != want {
			rt.Fatalf("in memory %v, loaded %v, want %v", r.Revoked(p), loaded.Revoked(p), want)
		}
	})
}
