package db_test

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"testing"
	"time"

	"spindlewright/pkg/db"
)

func TestWriteThenRead(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		write(t, store, put("a", 3))
		write(t, store, put("a", 4))
		if got := items(t, store, "a"); got != 7 {
			t.Errorf("got %d items, want 7", got)
		}
		write(t, store, func(tx *db.Tx) error { // reads see the job's own writes
			if err := put("a", 1)(tx); err != nil {
				return err
			}
			var n int
			if err := tx.QueryRow("SELECT items FROM shelf WHERE name = $1"+tx.ForUpdate(), "a").Scan(&n); err != nil {
				return err
			}
			if n != 8 {
				t.Errorf("the job sees %d items, want 8", n)
			}
			return nil
		})
	})
}

// Whatever ends a job without success, nothing of it stays, its hooks do not
// run, and the next job is served.
func TestFailedJobLeavesNothing(t *testing.T) {
	mine := errors.New("mine")
	cases := []struct {
		name string
		end  func(tx *db.Tx) error
		want func(error) bool
	}{
		{"error", func(*db.Tx) error { return mine }, func(err error) bool { return err == mine }},
		{"panic", func(*db.Tx) error { panic(mine) }, func(err error) bool {
			var p *db.PanicError
			return errors.As(err, &p) && errors.Is(err, mine) && len(p.Stack) > 0
		}},
		{"the goroutine's end", func(*db.Tx) error { runtime.Goexit(); return nil }, func(err error) bool {
			return err != nil && strings.Contains(err.Error(), "Goexit")
		}},
		{"a swallowed error", func(tx *db.Tx) error {
			_, _ = tx.Exec("INSERT INTO shelf (name, items) VALUES ('b', -1)") // breaks the CHECK
			return nil
		}, func(err error) bool { return err != nil && strings.Contains(err.Error(), "the job went on") }},
		{"a swallowed error of QueryRow", func(tx *db.Tx) error {
			var n int
			_ = tx.QueryRow("INSERT INTO shelf (name, items) VALUES ('b', -1) RETURNING items").Scan(&n)
			return nil
		}, func(err error) bool { return err != nil && strings.Contains(err.Error(), "the job went on") }},
		{"going on after an error", func(tx *db.Tx) error {
			_, first := tx.Exec("INSERT INTO shelf (name, items) VALUES ('a', 1)")
			if !db.IsUnique(first) {
				t.Errorf("got %v, want a broken key", first)
			}
			var n int
			return tx.QueryRow("SELECT items FROM shelf WHERE name = 'a'").Scan(&n)
		}, db.IsUnique},
		{"text that does not parse", func(tx *db.Tx) error {
			_, err := tx.Exec("INSERT INTO no_such_table (a) VALUES (1)")
			return err
		}, func(err error) bool { return err != nil && strings.Contains(err.Error(), "no_such_table") }},
		{"text for one row that does not parse", func(tx *db.Tx) error {
			var n int
			return tx.QueryRow("SELECT a FROM no_such_table").Scan(&n)
		}, func(err error) bool { return err != nil && strings.Contains(err.Error(), "no_such_table") }},
		{"COMMIT", func(tx *db.Tx) error { _, err := tx.Exec(" commit"); return err }, isControl},
		{"a savepoint", func(tx *db.Tx) error { _, err := tx.Exec("SAVEPOINT x"); return err }, isControl},
		{"a query while rows are open", func(tx *db.Tx) error {
			rows, err := tx.Query("SELECT name FROM shelf")
			if err != nil {
				return err
			}
			rows.Next()
			return put("c", 1)(tx)
		}, func(err error) bool { return err != nil && strings.Contains(err.Error(), "still open") }},
	}
	eachEngine(t, func(t *testing.T, store *db.DB) {
		for _, c := range cases {
			t.Run(c.name, func(t *testing.T) {
				hooked := false
				result := make(chan error, 1)
				go func() {
					err := errors.New("Goexit of the caller") // PostgreSQL runs jobs in the caller's goroutine
					defer func() { result <- err }()
					err = store.Write(t.Context(), func(tx *db.Tx) error {
						tx.AfterCommit(func() { hooked = true })
						if err := put("a", 1)(tx); err != nil {
							return err
						}
						return c.end(tx)
					})
				}()
				if err := <-result; !c.want(err) {
					t.Errorf("got %v", err)
				}
				if hooked {
					t.Error("the hook ran")
				}
				if got := items(t, store, "a"); got != -1 {
					t.Errorf("the shelf stayed, with %d items", got)
				}
				write(t, store, put("a", 1))
				write(t, store, func(tx *db.Tx) error { return second(tx.Exec("DELETE FROM shelf")) })
			})
		}
	})
}

func isControl(err error) bool {
	return err != nil && strings.Contains(err.Error(), "may not begin, end or nest")
}

func TestOpenRowsAreClosedForTheJob(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		write(t, store, put("a", 1))
		for range 20 { // more than there are connections
			write(t, store, func(tx *db.Tx) error {
				rows, err := tx.Query("SELECT name FROM shelf")
				if err == nil && !rows.Next() {
					t.Error("no row")
				}
				return err
			})
		}
	})
}

func TestEndedTxRefuses(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		var kept *db.Tx
		write(t, store, func(tx *db.Tx) error { kept = tx; return nil })
		if _, err := kept.Exec("DELETE FROM shelf"); err == nil {
			t.Error("Exec after the end was run")
		}
		var n int
		if err := kept.QueryRow("SELECT 1").Scan(&n); err == nil {
			t.Error("QueryRow after the end was run")
		}
	})
}

func TestNestedWriteIsRefused(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		err := store.Write(t.Context(), func(tx *db.Tx) error {
			return store.Write(tx.Context(), put("a", 1))
		})
		if err == nil || !strings.Contains(err.Error(), "same transaction") {
			t.Errorf("got %v", err)
		}
	})
}

func TestBrokenKeys(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		write(t, store, put("a", 1))
		insert := func(id, shelf, label string) error {
			return store.Write(t.Context(), func(tx *db.Tx) error {
				_, err := tx.Exec("INSERT INTO item (id, shelf, label) VALUES ($1, $2, $3)", id, shelf, label)
				return err
			})
		}
		if err := insert("1", "a", "x"); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			name              string
			err               error
			unique, reference bool
		}{
			{"primary key", insert("1", "a", "y"), true, false},
			{"unique index", insert("2", "a", "x"), true, false},
			{"no such shelf", insert("3", "b", "z"), false, true},
			{"a shelf in use", store.Write(t.Context(), func(tx *db.Tx) error {
				_, err := tx.Exec("DELETE FROM shelf")
				return err
			}), false, true},
			{"none", insert("4", "a", "w"), false, false},
		} {
			if db.IsUnique(c.err) != c.unique || db.IsForeignKey(c.err) != c.reference {
				t.Errorf("%s: %v is unique %v, reference %v", c.name, c.err, db.IsUnique(c.err), db.IsForeignKey(c.err))
			}
			if db.IsUnavailable(c.err) {
				t.Errorf("%s: %v counts as unavailable", c.name, c.err)
			}
		}
	})
}

func TestHooksRunAfterTheCommit(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		seen := []int{}
		write(t, store, func(tx *db.Tx) error {
			for range 2 {
				tx.AfterCommit(func() { seen = append(seen, items(t, store, "a")) })
			}
			return put("a", 5)(tx)
		})
		if len(seen) != 2 || seen[0] != 5 || seen[1] != 5 {
			t.Errorf("the hooks saw %v, want twice the committed 5", seen)
		}
	})
}

func TestJobsContextOutlivesTheCaller(t *testing.T) {
	type key struct{}
	eachEngine(t, func(t *testing.T, store *db.DB) {
		ctx, cancel := context.WithTimeout(context.WithValue(t.Context(), key{}, "trace"), time.Hour)
		defer cancel()
		err := store.Write(ctx, func(tx *db.Tx) error {
			cancel() // the client goes while its job runs
			if tx.Context().Err() != nil || tx.Context().Value(key{}) != "trace" {
				t.Errorf("err %v, value %v", tx.Context().Err(), tx.Context().Value(key{}))
			}
			return put("a", 1)(tx)
		})
		if err != nil {
			t.Errorf("got %v; a started job finishes", err)
		}
		if got := items(t, store, "a"); got != 1 {
			t.Errorf("got %d items, want 1", got)
		}
	})
}

func TestViewSeesOneState(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		write(t, store, put("a", 1))
		err := store.View(t.Context(), func(q db.Querier) error {
			for range 2 {
				var n int
				if err := q.QueryRow("SELECT items FROM shelf WHERE name = $1", "a").Scan(&n); err != nil {
					return err
				}
				if n != 1 {
					t.Errorf("the view sees %d items, want the 1 of its first query", n)
				}
				write(t, store, put("a", 1))
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if got := items(t, store, "a"); got != 3 {
			t.Errorf("got %d items, want 3", got)
		}
	})
}

func TestReaderCannotWrite(t *testing.T) {
	store := open(t, "")
	rows, err := store.Reader(t.Context()).Query("INSERT INTO shelf (name, items) VALUES ('a', 1) RETURNING name")
	if err == nil {
		rows.Close()
		t.Error("a reader wrote past the one writer")
	}
}

func TestReaderEndsWithItsContext(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		var n int64
		err := store.Reader(ctx).QueryRow(`WITH RECURSIVE c (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < 1000000000)
			SELECT count(*) FROM c`).Scan(&n)
		if err == nil || ctx.Err() == nil || db.IsUnavailable(err) {
			t.Errorf("got %v; want the context's end, which is no fault of the store", err)
		}
	})
}
