package access

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"testing"
	"time"

	"go.uber.org/goleak"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

// Roles, shorter.
const (
	technician = accessv1.Role_ROLE_TECHNICIAN
	stores     = accessv1.Role_ROLE_STORES
	quality    = accessv1.Role_ROLE_QUALITY
	lead       = accessv1.Role_ROLE_LEAD
	steward    = accessv1.Role_ROLE_STEWARD
	engineer   = accessv1.Role_ROLE_ENGINEER
	integrator = accessv1.Role_ROLE_INTEGRATOR
	operator   = accessv1.Role_ROLE_OPERATOR
	internal   = accessv1.Role_ROLE_INTERNAL
)

var start = time.Date(2031, 3, 4, 5, 6, 7, 891011000, time.UTC)

// noLeaks fails a test that leaves goroutines behind.
func noLeaks(t *testing.T) {
	t.Helper()
	opt := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, opt) })
}

func openStore(t *testing.T, url string) *db.DB {
	t.Helper()
	store, err := db.Open(context.Background(), db.Config{Service: "trial", URL: url, Folder: t.TempDir(), Migrations: []db.Migrations{AuditMigrations}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return store
}

func newKey(t testing.TB) (string, ed25519.PrivateKey) {
	t.Helper()
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return KeyID(public), private
}

// someone is a good caller with the role, in shop "s1" or of customer "c1"
// where the role belongs to one.
func someone(roles ...accessv1.Role) Principal {
	p := Principal{ID: "person-1", Roles: roles, TokenID: "token-1", IssuedAt: start, ExpiresAt: start.Add(time.Hour)}
	for _, r := range roles {
		switch {
		case shopRole(r):
			p.ShopID = "s1"
		case r == integrator:
			p.CustomerID = "c1"
		case r == internal:
			p.ID = "service:intake"
		}
	}
	return p
}

// eventually waits for a condition.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.NewTimer(10 * time.Second)
	defer deadline.Stop()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for !ok() {
		select {
		case <-deadline.C:
			t.Fatalf("not within 10 s: %s", what)
		case <-look.C:
		}
	}
}

func manual() *clock.Manual { return clock.NewManual(start) }
