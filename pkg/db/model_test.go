package db_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// The model of the store is a map of shelves. Random jobs, alone and in groups,
// run on SQLite, PostgreSQL and the map; all three must agree on every outcome
// and on the end.

// step is one statement of a job.
type step struct {
	name  string
	delta int
}

// ending is how a job ends.
type ending int

const (
	succeeds ending = iota
	fails
	panics
	breaksKey
	leaves // its caller has gone before it is queued
)

// randomJob is a job as drawn.
type randomJob struct {
	steps []step
	end   ending
}

func (j randomJob) run(tx *db.Tx) error {
	for _, s := range j.steps {
		if err := put(s.name, s.delta)(tx); err != nil {
			return err
		}
	}
	switch j.end {
	case fails:
		return errMine
	case panics:
		panic("mine")
	case breaksKey:
		if err := put("key", 0)(tx); err != nil {
			return err
		}
		return second(tx.Exec("INSERT INTO shelf (name, items) VALUES ('key', 0)"))
	}
	return nil
}

// outcome names what a caller is told, the same words for store and model.
func outcome(err error) string {
	var p *db.PanicError
	switch {
	case err == nil:
		return "kept"
	case errors.Is(err, errMine):
		return "failed"
	case errors.As(err, &p):
		return "panicked"
	case errors.Is(err, context.Canceled):
		return "left"
	case db.IsUnique(err):
		return "broken key"
	default:
		return "refused"
	}
}

// apply runs the job on the model.
func (j randomJob) apply(model map[string]int) string {
	if j.end == leaves {
		return "left"
	}
	next := maps.Clone(model)
	for _, s := range j.steps {
		// An insert with a negative number breaks the CHECK even where the
		// conflict would have turned it into a sum: the row is checked first.
		if s.delta < 0 || next[s.name]+s.delta < 0 {
			return "refused"
		}
		next[s.name] += s.delta
	}
	switch j.end {
	case fails:
		return "failed"
	case panics:
		return "panicked"
	case breaksKey:
		return "broken key"
	}
	clear(model)
	maps.Copy(model, next)
	return "kept"
}

// jobs of one group touch shelves of their own, so that the order within the
// group does not show.
func drawGroup(t *rapid.T) []randomJob {
	group := make([]randomJob, rapid.IntRange(1, 6).Draw(t, "size"))
	for i := range group {
		for range rapid.IntRange(0, 3).Draw(t, "steps") {
			group[i].steps = append(group[i].steps, step{
				name:  fmt.Sprintf("%d/%d", i, rapid.IntRange(0, 2).Draw(t, "shelf")),
				delta: rapid.IntRange(-1, 5).Draw(t, "delta"),
			})
		}
		group[i].end = rapid.SampledFrom([]ending{succeeds, succeeds, succeeds, fails, panics, breaksKey, leaves}).Draw(t, "end")
	}
	return group
}

// runGroup runs jobs at once and gives what each caller was told.
func runGroup(store *db.DB, group []randomJob) []string {
	told := make([]string, len(group))
	var all sync.WaitGroup
	for i, j := range group {
		all.Go(func() {
			ctx, cancel := context.WithCancel(background())
			defer cancel()
			if j.end == leaves {
				cancel()
			}
			told[i] = outcome(store.Write(ctx, j.run))
		})
	}
	all.Wait()
	return told
}

func contents(t *rapid.T, store *db.DB) map[string]int {
	rows, err := store.Reader(background()).Query("SELECT name, items FROM shelf")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	got := map[string]int{}
	for rows.Next() {
		var name string
		var n int
		if err := rows.Scan(&name, &n); err != nil {
			t.Fatal(err)
		}
		got[name] = n
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return got
}

func TestStoresAgreeWithTheModel(t *testing.T) {
	stores := []*db.DB{open(t, ""), open(t, rig.PostgreSQL(t, rig.Relaxed()))}
	rapid.Check(t, func(t *rapid.T) {
		model := map[string]int{}
		for _, s := range stores {
			if err := s.Write(background(), func(tx *db.Tx) error { return second(tx.Exec("DELETE FROM shelf")) }); err != nil {
				t.Fatal(err)
			}
		}
		for range rapid.IntRange(1, 8).Draw(t, "groups") {
			group := drawGroup(t)
			want := make([]string, len(group))
			for i, j := range group {
				want[i] = j.apply(model)
			}
			for _, s := range stores {
				if told := runGroup(s, group); fmt.Sprint(told) != fmt.Sprint(want) {
					t.Fatalf("%s told %v, want %v", s.Engine(), told, want)
				}
			}
		}
		for _, s := range stores {
			if got := contents(t, s); !maps.Equal(got, model) {
				t.Fatalf("%s holds %v, want %v", s.Engine(), got, model)
			}
		}
	})
}
