package db

import (
	"fmt"
	"sync"
	"testing"
)

// Far more texts than the cache holds, from several goroutines: each gives its
// own answer, and the cache stays within its bound.
func TestCacheIsBounded(t *testing.T) {
	store, err := Open(t.Context(), Config{Service: "storeroom", Folder: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	}()
	reader := store.Reader(t.Context())
	check := func(q Querier, i int) error {
		var got int
		if err := q.QueryRow(fmt.Sprintf("SELECT %d + $1", i), 1).Scan(&got); err != nil {
			return err
		}
		if got != i+1 {
			return fmt.Errorf("got %d, want %d", got, i+1)
		}
		return nil
	}
	var all sync.WaitGroup
	for g := range 6 {
		all.Go(func() {
			for i := range 3 * cacheSize {
				if err := check(reader, (i*(g+1))%(2*cacheSize)); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	all.Go(func() {
		if err := store.Write(t.Context(), func(tx *Tx) error {
			for i := range 2 * cacheSize {
				if err := check(tx, i); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Error(err)
		}
	})
	all.Wait()
	s := store.engine.(*fileStore)
	for name, c := range map[string]*cache{"readers": s.cached, "writer": s.writer.on.cache} {
		if n := c.recent.Len(); n > cacheSize || len(c.byText) != n {
			t.Errorf("%s: %d statements in order, %d by text, at most %d", name, n, len(c.byText), cacheSize)
		}
	}
}

// Rows stay good when their statement leaves the cache while they are read.
func TestRowsOutliveTheirStatement(t *testing.T) {
	store, err := Open(t.Context(), Config{Service: "storeroom", Folder: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	rows, err := store.Reader(t.Context()).Query("WITH RECURSIVE c (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < 1000) SELECT n FROM c")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	store.engine.(*fileStore).cached.close()
	sum := 0
	for rows.Next() {
		var n int
		if err := rows.Scan(&n); err != nil {
			t.Fatal(err)
		}
		sum += n
	}
	if err := rows.Err(); err != nil || sum != 500500 {
		t.Errorf("sum %d, %v", sum, err)
	}
}

func TestControls(t *testing.T) {
	for query, want := range map[string]bool{
		"BEGIN": true, "begin immediate": true, " \n\tCommit;": true, "ROLLBACK TO x": true, "savepoint x": true,
		"RELEASE x": true, "END": true, "END;": true, "abort": true, "START TRANSACTION": true,
		"": false, "SELECT 1": false, "INSERT INTO begin (x) VALUES (1)": false, "CREATE TABLE commit_log (x TEXT)": false,
		"REINDEX": false, "releases": false, "ANALYZE": false, "e": false,
	} {
		if got := controls(query); got != want {
			t.Errorf("controls(%q) = %v", query, got)
		}
	}
}

func TestPlaceholders(t *testing.T) {
	for _, c := range []struct {
		rows, columns, first int
		want                 string
	}{
		{1, 1, 1, "($1)"},
		{2, 2, 1, "($1,$2),($3,$4)"},
		{1, 3, 10, "($10,$11,$12)"},
		{0, 3, 1, ""},
	} {
		if got := Placeholders(c.rows, c.columns, c.first); got != c.want {
			t.Errorf("Placeholders(%d, %d, %d) = %q, want %q", c.rows, c.columns, c.first, got, c.want)
		}
	}
}
