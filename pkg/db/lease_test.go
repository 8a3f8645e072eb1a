package db_test

import (
	"testing"

	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

func lease(t *testing.T, store *db.DB, name string) (bool, <-chan struct{}, func()) {
	t.Helper()
	held, lost, release, err := store.Lease(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return held, lost, release
}

func TestLeaseHasOneHolder(t *testing.T) {
	url := rig.PostgreSQL(t)
	one, two := open(t, url), open(t, url)
	other := open(t, url, func(c *db.Config) { c.Service = "other" })

	held, lost, release := lease(t, one, "relay")
	if !held {
		t.Fatal("a free lease was not given")
	}
	if again, _, _ := lease(t, two, "relay"); again {
		t.Error("two stores hold the same lease")
	}
	for _, free := range []struct {
		store *db.DB
		name  string
	}{{two, "inbox"}, {other, "relay"}} {
		held, _, release := lease(t, free.store, free.name)
		if !held {
			t.Errorf("lease %q of %s is another one", free.name, free.store.Service())
		}
		release()
	}
	select {
	case <-lost:
		t.Error("the lease is lost while it is held")
	default:
	}
	release()
	release() // a second time does no harm
	within(t, lost, "a released lease is over")
	held, _, release = lease(t, two, "relay")
	if !held {
		t.Error("a released lease was not given")
	}
	release()
}

// The server ends the holder's connection: the holder must know, and another
// may take over.
func TestLeaseIsLostWithItsConnection(t *testing.T) {
	store := open(t, rig.PostgreSQL(t))
	held, lost, release := lease(t, store, "relay")
	defer release()
	if !held {
		t.Fatal("a free lease was not given")
	}
	var ended int
	err := store.Reader(t.Context()).QueryRow(`SELECT count(*) FROM (
		SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' AND granted
			AND database = (SELECT oid FROM pg_database WHERE datname = current_database())) x`).Scan(&ended)
	if err != nil || ended != 1 {
		t.Fatalf("ended %d connections, %v", ended, err)
	}
	within(t, lost, "the holder is told")
	waitFor(t, "another may take over", func() bool {
		held, _, release := lease(t, store, "relay")
		if held {
			release()
		}
		return held
	})
}

func TestCloseEndsLeases(t *testing.T) {
	store := open(t, rig.PostgreSQL(t))
	_, lost, _ := lease(t, store, "relay")
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	within(t, lost, "the lease is over")
}

func TestFileStoreAlwaysHoldsItsLeases(t *testing.T) {
	store := open(t, "")
	held, lost, release := lease(t, store, "relay")
	if !held {
		t.Error("the folder's only process does not hold the lease")
	}
	select {
	case <-lost:
		t.Error("the lease is lost")
	default:
	}
	release()
}
