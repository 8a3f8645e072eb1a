package db

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"spindlewright/pkg/rig"
)

// The watcher asks again and again over the same connection, and the lock stays.
func TestWatchingKeepsTheLease(t *testing.T) {
	url := rig.PostgreSQL(t)
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Exec(t.Context(), "SELECT pg_advisory_lock(7)"); err != nil {
		t.Fatal(err)
	}
	other, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close(context.Background())
	// The server notes each session's last question; the watcher's pings are
	// questions without text.
	asked := func() (at time.Time) {
		err := other.QueryRow(t.Context(), "SELECT query_start FROM pg_stat_activity WHERE pid = $1", int64(conn.PgConn().PID())).Scan(&at)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	first := asked()

	lost, release := watch(context.Background(), conn, 10*time.Millisecond)
	seen := map[time.Time]bool{}
	deadline := time.Now().Add(20 * time.Second)
	for len(seen) < 5 && time.Now().Before(deadline) {
		if at := asked(); at.After(first) {
			seen[at] = true
		}
	}
	if len(seen) < 5 {
		t.Errorf("the watcher asked %d times", len(seen))
	}
	select {
	case <-lost:
		t.Error("the lease is lost while its connection stands")
	default:
	}
	var free bool
	try := "SELECT pg_try_advisory_lock(7)"
	if err := other.QueryRow(t.Context(), try).Scan(&free); err != nil || free {
		t.Errorf("while held: free %v, %v", free, err)
	}
	release()
	if err := other.QueryRow(t.Context(), try).Scan(&free); err != nil || !free {
		t.Errorf("after release: free %v, %v", free, err)
	}
}
