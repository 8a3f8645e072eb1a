package access

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/pkg/rig"
)

// entries gives the whole audit, newest first.
func entries(t *testing.T, store *db.DB, a *Audit) (out []Entry) {
	t.Helper()
	for before := int64(0); ; {
		page, next, err := a.List(store.Reader(context.Background()), before, 7)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, page...)
		if next == 0 {
			return out
		}
		before = next
	}
}

func TestAuditKeepsEntries(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		ctx, store, wall := context.Background(), openStore(t, url), manual()
		a := NewAudit(store, wall)
		if got := entries(t, store, a); len(got) != 0 {
			t.Fatalf("a new audit holds %v", got)
		}
		full := Entry{What: "override", PrincipalID: "p1", Tenant: "s1", Method: "/a.B/C", Subject: "order-1", Detail: "lead overrode a gate"}
		if err := a.Note(ctx, full); err != nil {
			t.Fatal(err)
		}
		at := start.Add(-time.Hour)
		if err := store.Write(ctx, func(tx *db.Tx) error { return a.Record(tx, Entry{At: at, What: "waiver"}) }); err != nil {
			t.Fatal(err)
		}
		refused := errors.New("refused")
		if err := store.Write(ctx, func(tx *db.Tx) error { return errors.Join(a.Record(tx, full), refused) }); !errors.Is(err, refused) {
			t.Fatal(err)
		}
		got := entries(t, store, a)
		if len(got) != 2 || got[0].What != "waiver" || !got[0].At.Equal(at) {
			t.Fatalf("got %+v", got)
		}
		if full.At = wall.Now(); got[1] != full {
			t.Errorf("got %+v, want %+v", got[1], full)
		}
	})
}

func TestAuditPages(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store := openStore(t, url)
		a := NewAudit(store, manual())
		var writers sync.WaitGroup
		for w := range 4 {
			writers.Go(func() {
				for i := range 10 {
					if err := a.Note(context.Background(), Entry{What: "replay", Subject: fmt.Sprint(w, "-", i)}); err != nil {
						t.Error(err)
					}
				}
			})
		}
		writers.Wait()
		seen := map[string]bool{}
		for _, e := range entries(t, store, a) {
			seen[e.Subject] = true
		}
		if len(seen) != 40 {
			t.Errorf("%d different entries over all pages, want 40", len(seen))
		}
	})
}

func TestAuditTakesAnyText(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store := openStore(t, url)
		a := NewAudit(store, manual())
		bad := Entry{What: "denied", Subject: "a\x00b", Detail: "\xff" + strings.Repeat("ö", textLimit), Method: "'; DROP TABLE audit; --"}
		if err := a.Note(context.Background(), bad); err != nil {
			t.Fatal(err)
		}
		got := entries(t, store, a)[0]
		if got.Subject != "a\uFFFDb" || len(got.Detail) > textLimit+8 || got.Method != bad.Method {
			t.Errorf("got %+v", got)
		}
	})
}

func TestAFloodOfDenialsIsBounded(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store := openStore(t, url)
		a := NewAudit(store, manual())
		var flood sync.WaitGroup
		for range 8 {
			flood.Go(func() {
				for i := range 20000 {
					a.Deny(Entry{PrincipalID: "p", Method: "/a.B/C", Detail: "the same"})
					if i%10 == 0 {
						a.Deny(Entry{PrincipalID: fmt.Sprint("invented-", i), Method: "/a.B/C"})
					}
				}
			})
		}
		flood.Wait()
		if n := len(a.denials.kinds); n > denialKinds {
			t.Errorf("%d kinds in memory, at most %d are allowed", n, denialKinds)
		}
		if err := a.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		got := entries(t, store, a)
		if len(got) > 2*denialKinds+1 {
			t.Errorf("%d entries written", len(got))
		}
		var dropped, counted bool
		for _, e := range got {
			dropped = dropped || e.What == WhatDropped
			counted = counted || e.PrincipalID == "p" && e.Detail == "the same (and 159999 more times)"
		}
		if !dropped || !counted {
			t.Errorf("what was dropped is said: %v; repeats are counted: %v", dropped, counted)
		}
		if err := a.Flush(context.Background()); err != nil || len(entries(t, store, a)) != len(got) {
			t.Errorf("a second flush writes again (%v)", err)
		}
	})
}

func TestDenialWindow(t *testing.T) {
	a := &Audit{clock: manual(), denials: newDenials()}
	deny := func() { a.Deny(Entry{PrincipalID: "p", Detail: "no"}) }
	opened := time.Now()
	deny()
	if got := a.denials.take(opened, false); len(got) != 1 {
		t.Fatalf("the first is written at once, got %v", got)
	}
	deny()
	deny()
	if got := a.denials.take(opened.Add(denialWindow/2), false); len(got) != 0 {
		t.Fatalf("repeats wait for the window, got %v", got)
	}
	got := a.denials.take(opened.Add(2*denialWindow), false)
	if len(got) != 1 || got[0].Detail != "no (and 2 more times)" {
		t.Fatalf("got %v", got)
	}
	deny()
	if got := a.denials.take(opened.Add(3*denialWindow), false); len(got) != 1 || got[0].Detail != "no" {
		t.Fatalf("the next window begins anew, got %v", got)
	}
}

func TestRunWritesDenialsAndWhatIsLeft(t *testing.T) {
	store := openStore(t, "")
	a := NewAudit(store, manual())
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx, slog.New(slog.DiscardHandler)) }()
	a.Deny(Entry{PrincipalID: "p", Detail: "first"})
	eventually(t, "the denial is written", func() bool { return len(entries(t, store, a)) == 1 })
	a.Deny(Entry{PrincipalID: "p", Detail: "last"})
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if got := entries(t, store, a); len(got) != 2 || got[0].Detail != "last" {
		t.Errorf("got %v", got)
	}
}

// The guard audits its own denials and those of handlers, in the audit of the
// service that was called; refusals of other kinds are nobody's denial.
func TestGuardAuditsDenials(t *testing.T) {
	store := openStore(t, "")
	a := NewAudit(store, manual())
	g := NewGuard(GuardConfig{Clock: manual(), Verifier: callers{"x": someone(lead)}, Audit: func(method string) *Audit {
		if strings.HasPrefix(method, "/spindlewright.access.") {
			return a
		}
		return nil
	}})
	handler := func(err error) grpc.UnaryHandler {
		return func(context.Context, any) (any, error) { return nil, err }
	}
	other := fault.Newf(7, 10, "person.shop_id is not your shop")
	for _, c := range []struct {
		method, token string
		err           error
	}{
		{accessv1.AccessService_CreateShop_FullMethodName, "x", nil},
		{accessv1.AccessService_WhoAmI_FullMethodName, "junk", nil},
		{accessv1.AccessService_CreatePerson_FullMethodName, "x", other},
		{accessv1.AccessService_CreatePerson_FullMethodName, "x", fault.NotFound("shop", "s9")},
		{"/no.Such/Method", "x", nil},
	} {
		_, err := g.Unary()(withHeader("Bearer "+c.token), nil, &grpc.UnaryServerInfo{FullMethod: c.method}, handler(c.err))
		if err == nil {
			t.Fatalf("%s was let in", c.method)
		}
	}
	if err := a.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	got := map[string]Entry{}
	for _, e := range entries(t, store, a) {
		got[e.Method] = e
	}
	if len(got) != 3 {
		t.Fatalf("got %+v", got)
	}
	if e := got[accessv1.AccessService_CreateShop_FullMethodName]; e.What != WhatDenied || e.PrincipalID != "person-1" || e.Tenant != "s1" || !strings.HasPrefix(e.Detail, "ROLE_NOT_ALLOWED") {
		t.Errorf("by the guard: %+v", e)
	}
	if e := got[accessv1.AccessService_WhoAmI_FullMethodName]; e.PrincipalID != "" || e.Tenant != "" || !strings.HasPrefix(e.Detail, "NOT_SIGNED_IN") {
		t.Errorf("of a stranger: %+v", e)
	}
	if e := got[accessv1.AccessService_CreatePerson_FullMethodName]; !strings.HasPrefix(e.Detail, "OTHER_SHOP") {
		t.Errorf("by a handler: %+v", e)
	}
}
