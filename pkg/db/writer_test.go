package db_test

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"

	"spindlewright/pkg/db"
	"spindlewright/pkg/failpoint"
	"spindlewright/pkg/rig"
)

// hold starts a job that waits inside its transaction until let is closed.
func hold(ctx context.Context, store *db.DB, job func(*db.Tx) error) (running, let chan struct{}, result chan error) {
	running, let, result = make(chan struct{}), make(chan struct{}), make(chan error, 1)
	once := sync.OnceFunc(func() { close(running) })
	go func() {
		result <- store.Write(ctx, func(tx *db.Tx) error {
			once()
			<-let
			return job(tx)
		})
	}()
	return running, let, result
}

// group makes jobs share one group: it holds the writer until all are queued.
// It gives their errors and how many commits it took.
func group(t *testing.T, store *db.DB, jobs []func(*db.Tx) error) (errs []error, commits int64) {
	t.Helper()
	running, let, result := hold(t.Context(), store, func(*db.Tx) error { return nil })
	within(t, running, "the writer is held")
	before := store.Stats().Commits
	errs = make([]error, len(jobs))
	var all sync.WaitGroup
	for i, job := range jobs {
		all.Go(func() {
			errs[i] = errors.New("the caller's goroutine ended")
			errs[i] = store.Write(t.Context(), job)
		})
		// One by one, so that the group has the order of the jobs.
		waitFor(t, "the job is queued", func() bool { return store.Pending() == i+1 })
	}
	close(let)
	all.Wait()
	if err := <-result; err != nil {
		t.Fatal(err)
	}
	return errs, store.Stats().Commits - before
}

func TestWaitingJobsShareACommit(t *testing.T) {
	store := open(t, "")
	jobs := make([]func(*db.Tx) error, 50)
	for i := range jobs {
		jobs[i] = put("a", 1)
	}
	errs, commits := group(t, store, jobs)
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if got := items(t, store, "a"); got != len(jobs) {
		t.Errorf("got %d items, want %d", got, len(jobs))
	}
	// The holder's own group is as old as the holding took and takes no more.
	if commits > 3 {
		t.Errorf("%d jobs took %d commits", len(jobs), commits)
	}
}

var errMine = errors.New("mine")

// Whatever happens to one job of a group, the others keep their place.
func TestOneJobsFailureIsItsOwn(t *testing.T) {
	for _, c := range []struct {
		name  string
		bad   func(*db.Tx) error
		rerun bool
	}{
		{"error", func(tx *db.Tx) error { return errors.Join(put("bad", 1)(tx), errMine) }, false},
		{"panic", func(tx *db.Tx) error { panic(put("bad", 1)(tx)) }, false},
		{"broken key", func(tx *db.Tx) error {
			return errors.Join(put("bad", 1)(tx), second(tx.Exec("INSERT INTO shelf (name, items) VALUES ('bad', 1)")))
		}, false},
		{"the transaction's end", func(tx *db.Tx) error { // SQLite ends it as an answer to the conflict
			return errors.Join(put("bad", 1)(tx), second(tx.Exec("INSERT OR ROLLBACK INTO shelf (name, items) VALUES ('bad', 1)")))
		}, true},
		{"a COMMIT that fails", func(tx *db.Tx) error {
			return errors.Join(put("bad", 1)(tx), second(tx.Exec("INSERT INTO loose (id, shelf) VALUES (1, 'none')")))
		}, true},
		{"the goroutine's end", func(tx *db.Tx) error { runtime.Goexit(); return nil }, false},
	} {
		for _, at := range []int{0, 1, 5, 9} {
			t.Run(fmt.Sprintf("%s at %d", c.name, at), func(t *testing.T) {
				store := open(t, "")
				write(t, store, func(tx *db.Tx) error {
					return second(tx.Exec("CREATE TABLE loose (id BIGINT, shelf TEXT REFERENCES shelf (name) DEFERRABLE INITIALLY DEFERRED)"))
				})
				const n = 10
				jobs, hooks := make([]func(*db.Tx) error, n), [n]atomic.Int64{}
				for i := range jobs {
					jobs[i] = func(tx *db.Tx) error {
						tx.AfterCommit(func() { hooks[i].Add(1) })
						return put(fmt.Sprintf("good %d", i), 1)(tx)
					}
				}
				good := jobs[at]
				jobs[at] = func(tx *db.Tx) error { return errors.Join(good(tx), c.bad(tx)) }
				errs, _ := group(t, store, jobs)
				for i, err := range errs {
					kept, want := items(t, store, fmt.Sprintf("good %d", i)), 1
					if i == at {
						want = -1
					}
					if (err != nil) != (i == at) || kept != want || hooks[i].Load() != int64(max(want, 0)) {
						t.Errorf("job %d: error %v, %d items, its hook ran %d times", i, err, kept, hooks[i].Load())
					}
				}
				if items(t, store, "bad") != -1 {
					t.Error("what the failed job wrote stayed")
				}
				if s := store.Stats(); (s.Reruns > 0) != (c.rerun && at >= 0) && at > 0 {
					t.Errorf("%d jobs ran again, want some: %v", s.Reruns, c.rerun)
				}
			})
		}
	}
}

func second[T any](_ T, err error) error { return err }

// A queued job goes with its caller; it must never run.
func TestQueuedJobIsGivenUp(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store := open(t, url, func(c *db.Config) { c.Connections = 1 })
		running, let, result := hold(t.Context(), store, func(*db.Tx) error { return nil })
		within(t, running, "the writer is held")
		ctx, cancel := context.WithCancel(t.Context())
		gone := make(chan error, 1)
		go func() {
			gone <- store.Write(ctx, func(tx *db.Tx) error {
				t.Error("an abandoned job was run")
				return nil
			})
		}()
		waitFor(t, "the job waits", func() bool {
			return store.Pending() == 1 || store.Stats().Pools[0].WaitCount > 0
		})
		cancel()
		if err := <-gone; !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
		close(let)
		if err := <-result; err != nil {
			t.Error(err)
		}
		write(t, store, put("a", 1))
		if err := store.Write(ctx, put("b", 1)); !errors.Is(err, context.Canceled) {
			t.Errorf("with an ended context: got %v", err)
		}
	})
}

// Many callers, some of whom fail or leave: what each was told is what is kept.
func TestManyCallers(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		const callers, each = 16, 40
		var kept atomic.Int64
		var all sync.WaitGroup
		for caller := range callers {
			all.Go(func() {
				for i := range each {
					ctx, cancel := context.WithCancel(t.Context())
					if (caller+i)%7 == 0 {
						go cancel()
					}
					err := store.Write(ctx, func(tx *db.Tx) error {
						if err := put(fmt.Sprintf("own %d", caller), 1)(tx); err != nil {
							return err
						}
						if (caller+i)%5 == 0 {
							return errMine
						}
						return nil
					})
					cancel()
					switch {
					case err == nil:
						kept.Add(1)
					case !errors.Is(err, errMine) && !errors.Is(err, context.Canceled):
						t.Error(err)
					}
				}
			})
		}
		all.Wait()
		var sum int64
		if err := store.Reader(t.Context()).QueryRow("SELECT CAST(sum(items) AS BIGINT) FROM shelf").Scan(&sum); err != nil {
			t.Fatal(err)
		}
		if sum != kept.Load() {
			t.Errorf("%d items are kept, %d callers were told so", sum, kept.Load())
		}
		s := store.Stats()
		t.Logf("%d jobs, %d commits", s.Jobs, s.Commits)
		if store.Engine() == db.SQLite && s.Commits >= kept.Load() {
			t.Errorf("%d commits for %d jobs: none shared one", s.Commits, kept.Load())
		}
	})
}

// Two jobs that lock the same rows in opposite order: PostgreSQL ends one, which
// runs again.
func TestDeadlockIsRepeated(t *testing.T) {
	store := open(t, rig.PostgreSQL(t))
	write(t, store, put("a", 0))
	write(t, store, put("b", 0))
	var bothHold sync.WaitGroup
	bothHold.Add(2)
	job := func(first, next string) func() error {
		once := sync.OnceFunc(func() { bothHold.Done(); bothHold.Wait() })
		return func() error {
			return store.Write(t.Context(), func(tx *db.Tx) error {
				if err := put(first, 1)(tx); err != nil {
					return err
				}
				once()
				return put(next, 1)(tx)
			})
		}
	}
	result := make(chan error, 1)
	go func() { result <- job("a", "b")() }()
	if err := errors.Join(job("b", "a")(), <-result); err != nil {
		t.Fatal(err)
	}
	if a, b := items(t, store, "a"), items(t, store, "b"); a != 2 || b != 2 {
		t.Errorf("got %d and %d items, want 2 and 2", a, b)
	}
	if store.Stats().Retries == 0 {
		t.Error("nothing was repeated")
	}
}

func TestFailpointsAtTheCommit(t *testing.T) {
	for _, c := range []struct {
		spec    string
		durable int
	}{
		{"db.before-commit=error", -1},
		{"db.before-commit=panic", -1},
		{"db.after-commit=error", 1},
		{"db.after-commit=panic", 1},
	} {
		t.Run(c.spec, func(t *testing.T) {
			eachEngine(t, func(t *testing.T, store *db.DB) {
				_, disarm, err := failpoint.Arm(c.spec)
				if err != nil {
					t.Fatal(err)
				}
				defer disarm()
				hooked := false
				err = store.Write(t.Context(), func(tx *db.Tx) error {
					tx.AfterCommit(func() { hooked = true })
					return put("a", 1)(tx)
				})
				if err == nil {
					t.Error("the failpoint changed nothing")
				}
				if got := items(t, store, "a"); got != c.durable || hooked != (c.durable == 1) {
					t.Errorf("got %d items and hook %v, want %d and the hook of a commit", got, hooked, c.durable)
				}
			})
		})
	}
}
