package rig_test

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"

	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(t.Context())) })
	return conn
}

func ask(t *testing.T, conn *pgx.Conn, query string) string {
	t.Helper()
	var got string
	if err := conn.QueryRow(t.Context(), query).Scan(&got); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return got
}

func TestPostgreSQLGivesFreshDatabases(t *testing.T) {
	first, second := connect(t, rig.PostgreSQL(t)), connect(t, rig.PostgreSQL(t))
	if _, err := first.Exec(t.Context(), "CREATE TABLE bench (place TEXT)"); err != nil {
		t.Fatal(err)
	}
	if got := ask(t, second, "SELECT count(*)::text FROM pg_tables WHERE tablename = 'bench'"); got != "0" {
		t.Errorf("a fresh database holds %s tables of another test", got)
	}
}

func TestPostgreSQLFlushesUnlessRelaxed(t *testing.T) {
	for _, c := range []struct {
		name, url, fsync, commit string
	}{
		{"as measured", rig.PostgreSQL(t), "on", "on"},
		{"relaxed", rig.PostgreSQL(t, rig.Relaxed()), "on", "off"},
	} {
		t.Run(c.name, func(t *testing.T) {
			conn := connect(t, c.url)
			if got := ask(t, conn, "SHOW fsync"); got != c.fsync {
				t.Errorf("fsync is %s, want %s", got, c.fsync)
			}
			if got := ask(t, conn, "SHOW synchronous_commit"); got != c.commit {
				t.Errorf("synchronous_commit is %s, want %s", got, c.commit)
			}
			if got := ask(t, conn, "SHOW server_encoding"); got != "UTF8" {
				t.Errorf("encoding is %s", got)
			}
		})
	}
}

func TestEachEngineRunsBoth(t *testing.T) {
	var urls []string
	rig.EachEngine(t, func(_ *testing.T, url string) { urls = append(urls, url) })
	if len(urls) != 2 || urls[0] != "" || urls[1] == "" {
		t.Errorf("engines ran with URLs %q, want an empty one and a PostgreSQL one", urls)
	}
}
