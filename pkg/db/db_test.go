package db_test

import (
	"context"
	"testing"
	"testing/fstest"
	"time"

	"go.uber.org/goleak"

	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

// shelves is a small schema of its own for the tests of this package.
var shelves = db.Migrations{Name: "shelves", Files: fstest.MapFS{
	"00001_shelves.sql": {Data: []byte(`-- +goose Up
CREATE TABLE shelf (name TEXT PRIMARY KEY, items BIGINT NOT NULL CHECK (items >= 0));
CREATE TABLE item (id TEXT PRIMARY KEY, shelf TEXT NOT NULL REFERENCES shelf (name), label TEXT UNIQUE);
-- +goose Down
DROP TABLE item;
DROP TABLE shelf;
`)},
}}

// open gives a store that is closed, and whose goroutines have ended, when the
// test is over.
func open(t testing.TB, url string, change ...func(*db.Config)) *db.DB {
	t.Helper()
	c := db.Config{Service: "storeroom", URL: url, Folder: t.TempDir(), Migrations: []db.Migrations{shelves}}
	for _, f := range change {
		f(&c)
	}
	before := goleak.IgnoreCurrent()
	store, err := db.Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		if err := goleak.Find(before); err != nil {
			t.Error(err)
		}
	})
	return store
}

// eachEngine runs f with an open store of each engine.
func eachEngine(t *testing.T, f func(t *testing.T, store *db.DB)) {
	rig.EachEngine(t, func(t *testing.T, url string) { f(t, open(t, url)) })
}

func put(name string, items int) func(*db.Tx) error {
	return func(tx *db.Tx) error {
		_, err := tx.Exec(`INSERT INTO shelf (name, items) VALUES ($1, $2)
			ON CONFLICT (name) DO UPDATE SET items = shelf.items + excluded.items`, name, items)
		return err
	}
}

func write(t testing.TB, store *db.DB, job func(*db.Tx) error) {
	t.Helper()
	if err := store.Write(t.Context(), job); err != nil {
		t.Fatal(err)
	}
}

// items gives the number on a shelf, -1 when there is no such shelf.
func items(t testing.TB, store *db.DB, name string) int {
	t.Helper()
	n := -1
	rows, err := store.Reader(t.Context()).Query("SELECT items FROM shelf WHERE name = $1", name)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	if rows.Next() {
		if err := rows.Scan(&n); err != nil {
			t.Fatal(err)
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return n
}

// within waits until done is closed; the deadline is far beyond what it takes.
func within(t testing.TB, done <-chan struct{}, what string) {
	t.Helper()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Fatalf("%s: still not after 20 s", what)
	}
}

func background() context.Context { return context.Background() }
