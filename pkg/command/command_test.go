package command_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"time"

	"google.golang.org/protobuf/types/known/wrapperspb"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/failpoint"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

var counter = db.Migrations{Name: "counter", Files: fstest.MapFS{
	"00001_counter.sql": {Data: []byte(`-- +goose Up
CREATE TABLE counter (name TEXT PRIMARY KEY, n BIGINT NOT NULL);
-- +goose Down
DROP TABLE counter;
`)},
}}

var start = time.Date(2024, 3, 1, 9, 0, 0, 0, time.UTC)

type fixture struct {
	*command.Runner
	clock *clock.Manual
}

func eachEngine(t *testing.T, f func(t *testing.T, x fixture)) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		store, err := db.Open(t.Context(), db.Config{Service: "storeroom", URL: url, Folder: t.TempDir(),
			Migrations: []db.Migrations{command.Migrations, counter}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := store.Close(); err != nil {
				t.Errorf("close: %v", err)
			}
		})
		c := clock.NewManual(start)
		f(t, fixture{&command.Runner{Store: store, Clock: c}, c})
	})
}

func call(id, body string) command.Call {
	return command.Call{Tenant: "shop-1", Principal: "p-1", Method: "/x/Count", RequestID: id, Body: wrapperspb.String(body)}
}

// count adds one to the counter that the body names and answers its new value.
func count(name string) func(tx *db.Tx) (*wrapperspb.Int64Value, error) {
	return func(tx *db.Tx) (*wrapperspb.Int64Value, error) {
		var n int64
		err := tx.QueryRow(`INSERT INTO counter (name, n) VALUES ($1, 1)
			ON CONFLICT (name) DO UPDATE SET n = counter.n + 1 RETURNING n`, name).Scan(&n)
		return wrapperspb.Int64(n), err
	}
}

func (x fixture) run(t *testing.T, c command.Call) int64 {
	t.Helper()
	got, err := command.Run(t.Context(), x.Runner, c, count("n"))
	if err != nil {
		t.Fatal(err)
	}
	return got.Value
}

func (x fixture) scalar(t *testing.T, query string) (n int64) {
	t.Helper()
	if err := x.Store.Reader(t.Context()).QueryRow(query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestRepeatGivesTheKeptAnswer(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		for range 3 {
			if got := x.run(t, call("r1", "n")); got != 1 {
				t.Errorf("answer %d, want 1", got)
			}
		}
		if got := x.run(t, call("r2", "n")); got != 2 {
			t.Errorf("another id: answer %d, want 2", got)
		}
	})
}

func TestKeyHoldsWhoAndWhat(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		others := []command.Call{call("r1", "n"), call("r1", "n"), call("r1", "n"), call("r1", "n")}
		others[1].Tenant = "shop-2"
		others[2].Principal = "p-2"
		others[3].Method = "/x/Other"
		for i, c := range others {
			if got := x.run(t, c); got != int64(i+1) {
				t.Errorf("call %d: answer %d, want %d", i, got, i+1)
			}
		}
	})
}

func TestAnotherBodyIsRefused(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		x.run(t, call("r1", "n"))
		_, err := command.Run(t.Context(), x.Runner, call("r1", "m"), count("m"))
		if !fault.Is(err, faultv1.Reason_REASON_REQUEST_ID_REUSED) || !strings.Contains(err.Error(), `"r1"`) {
			t.Errorf("got %v", err)
		}
		if n := x.scalar(t, "SELECT count(*) FROM counter"); n != 1 {
			t.Errorf("%d counters, want 1", n)
		}
	})
}

func TestOnlySuccessesAreKept(t *testing.T) {
	refusal := fault.NotFound("counter", "n")
	eachEngine(t, func(t *testing.T, x fixture) {
		_, err := command.Run(t.Context(), x.Runner, call("r1", "wrong"), func(tx *db.Tx) (*wrapperspb.Int64Value, error) {
			if _, err := count("n")(tx); err != nil {
				return nil, err
			}
			return nil, refusal
		})
		if err != error(refusal) {
			t.Fatalf("got %v, want the refusal itself", err)
		}
		if n := x.scalar(t, "SELECT count(*) FROM request"); n != 0 {
			t.Errorf("%d answers kept, want 0", n)
		}
		// Mended, under the same id.
		if got := x.run(t, call("r1", "right")); got != 1 {
			t.Errorf("answer %d, want 1", got)
		}
	})
}

func TestBadCalls(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		for _, c := range []struct{ name, id, want string }{
			{"no id", "", "request_id is empty"},
			{"an id without end", strings.Repeat("x", 129), "at most 128"},
		} {
			_, err := command.Run(t.Context(), x.Runner, call(c.id, "n"), count("n"))
			if !fault.Is(err, faultv1.Reason_REASON_INVALID_FIELD) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: got %v, want %q in it", c.name, err, c.want)
			}
		}
		nameless := call("r1", "n")
		nameless.Principal = ""
		if _, err := command.Run(t.Context(), x.Runner, nameless, count("n")); err == nil {
			t.Error("a call of nobody was run")
		}
		_, err := command.Run(t.Context(), x.Runner, call("r2", "n"), func(*db.Tx) (*wrapperspb.Int64Value, error) { return nil, nil })
		if err == nil || !strings.Contains(err.Error(), "no answer") {
			t.Errorf("a job without an answer: got %v", err)
		}
		x.run(t, call("r3", "n"))
		_, err = command.Run(t.Context(), x.Runner, call("r3", "n"), func(*db.Tx) (*wrapperspb.StringValue, error) { return nil, nil })
		if err == nil || !strings.Contains(err.Error(), "google.protobuf.Int64Value") {
			t.Errorf("another type of answer: got %v", err)
		}
	})
}

// Ten thousand equal requests at once are one execution.
func TestManyAtOnceRunOnce(t *testing.T) {
	const callers = 10_000
	eachEngine(t, func(t *testing.T, x fixture) {
		var runs atomic.Int64
		var group sync.WaitGroup
		errs := make(chan error, callers)
		for range callers {
			group.Go(func() {
				got, err := command.Run(t.Context(), x.Runner, call("r1", "n"), func(tx *db.Tx) (*wrapperspb.Int64Value, error) {
					runs.Add(1)
					return count("n")(tx)
				})
				if err == nil && got.Value != 1 {
					err = fmt.Errorf("answer %d, want 1", got.Value)
				}
				if err != nil {
					errs <- err
				}
			})
		}
		group.Wait()
		close(errs)
		for err := range errs {
			t.Fatal(err)
		}
		if runs.Load() != 1 {
			t.Errorf("the job ran %d times", runs.Load())
		}
	})
}

// Two runners on one store stand for two replicas, which share no memory.
func TestTwoReplicas(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		other := &command.Runner{Store: x.Store, Clock: x.clock}
		for round := range 50 {
			c := call(fmt.Sprintf("r%d", round), "n")
			answers := make(chan int64, 2)
			for _, r := range []*command.Runner{x.Runner, other} {
				go func() {
					got, err := command.Run(t.Context(), r, c, count("n"))
					if err != nil {
						t.Error(err)
					}
					answers <- got.GetValue()
				}()
			}
			if a, b := <-answers, <-answers; a != b || a != int64(round+1) {
				t.Fatalf("round %d: answers %d and %d", round, a, b)
			}
		}
	})
}

// hold runs a call whose job waits until let is closed.
func hold(x fixture, ctx context.Context, c command.Call, fail error) (running, let chan struct{}, result chan error) {
	running, let, result = make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		once := sync.OnceFunc(func() { close(running) })
		_, err := command.Run(ctx, x.Runner, c, func(tx *db.Tx) (*wrapperspb.Int64Value, error) {
			once()
			<-let
			if fail != nil {
				return nil, fail
			}
			return count("n")(tx)
		})
		result <- err
	}()
	return running, let, result
}

func TestWaitersShareTheOutcome(t *testing.T) {
	refusal := fault.NotFound("counter", "n")
	for _, c := range []struct {
		name       string
		fail       error
		body       string
		wantReason faultv1.Reason
		want       int64
	}{
		{"success", nil, "n", 0, 1},
		{"success, another body", nil, "m", faultv1.Reason_REASON_REQUEST_ID_REUSED, 0},
		{"refusal", refusal, "n", faultv1.Reason_REASON_NOT_FOUND, 0},
		{"refusal, another body runs itself", refusal, "m", 0, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			eachEngine(t, func(t *testing.T, x fixture) {
				running, let, first := hold(x, t.Context(), call("r1", "n"), c.fail)
				<-running
				second := make(chan error, 1)
				var got int64
				go func() {
					a, err := command.Run(t.Context(), x.Runner, call("r1", c.body), count("n"))
					got = a.GetValue()
					second <- err
				}()
				close(let)
				if err := <-first; c.fail == nil && err != nil || c.fail != nil && !errors.Is(err, c.fail) {
					t.Errorf("first: %v", err)
				}
				err := <-second
				// The second may have come after the first had gone; a refusal
				// then leaves it to run itself.
				late := c.fail != nil && err == nil && got == 1
				switch {
				case late:
				case c.wantReason != 0 && !fault.Is(err, c.wantReason), c.wantReason == 0 && (err != nil || got != c.want):
					t.Errorf("second: %d, %v", got, err)
				}
			})
		})
	}
}

// A caller that gives up takes its waiters' patience, not their answer.
func TestGivingUp(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		running, let, first := hold(x, t.Context(), call("r1", "n"), nil)
		<-running
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := command.Run(ctx, x.Runner, call("r1", "n"), count("n")); !errors.Is(err, context.Canceled) {
			t.Errorf("a waiter that gave up: got %v", err)
		}
		close(let)
		if err := <-first; err != nil {
			t.Error(err)
		}
		if _, err := command.Run(ctx, x.Runner, call("r2", "n"), count("n")); !errors.Is(err, context.Canceled) {
			t.Errorf("a caller that had gone: got %v", err)
		}
		if got := x.run(t, call("r2", "n")); got != 2 {
			t.Errorf("answer %d, want 2", got)
		}
	})
}

func TestFailpoints(t *testing.T) {
	for _, c := range []struct {
		spec    string
		durable int64 // the counter after the failed call
	}{
		{"command.before-job=error", 0},
		{"command.after-job=error", 0},
		{"command.before-job=panic", 0},
		{"command.after-job=panic", 0},
		{"db.before-commit=error", 0},
		{"db.before-commit=panic", 0},
		{"db.after-commit=error", 1},
		{"db.after-commit=panic", 1},
	} {
		t.Run(c.spec, func(t *testing.T) {
			eachEngine(t, func(t *testing.T, x fixture) {
				_, disarm, err := failpoint.Arm(c.spec)
				if err != nil {
					t.Fatal(err)
				}
				defer disarm()
				if _, err := command.Run(t.Context(), x.Runner, call("r1", "n"), count("n")); err == nil {
					t.Error("the failpoint changed nothing")
				}
				if n := x.scalar(t, "SELECT coalesce(sum(n), 0) FROM counter"); n != c.durable {
					t.Errorf("the counter is %d, want %d", n, c.durable)
				}
				disarm()
				for range 2 {
					if got := x.run(t, call("r1", "n")); got != 1 {
						t.Errorf("repeated: answer %d, want 1", got)
					}
				}
			})
		})
	}
}

func TestSweep(t *testing.T) {
	eachEngine(t, func(t *testing.T, x fixture) {
		const old = 1100 // more than two chunks
		err := x.Store.Write(t.Context(), func(tx *db.Tx) error {
			for i := range old {
				_, err := tx.Exec(`INSERT INTO request (tenant, principal, method, request_id, body_hash, answer_type, answer, at)
					VALUES ('t', 'p', 'm', $1, $2, 'x', $2, $3)`, fmt.Sprint(i), []byte{1}, clock.Micros(start)+int64(i))
				if err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		x.clock.Set(start.Add(old * time.Microsecond))
		x.run(t, call("r1", "n"))
		x.clock.Advance(command.Keep)
		if n, err := x.Sweep(t.Context()); n != old || err != nil {
			t.Errorf("removed %d, %v, want %d", n, err, old)
		}
		if n, err := x.Sweep(t.Context()); n != 0 || err != nil {
			t.Errorf("again: removed %d, %v", n, err)
		}
		if got := x.run(t, call("r1", "n")); got != 1 {
			t.Errorf("at seven days: answer %d, want the kept 1", got)
		}
		x.clock.Advance(time.Microsecond)
		if n, err := x.Sweep(t.Context()); n != 1 || err != nil {
			t.Errorf("after seven days: removed %d, %v, want 1", n, err)
		}
		if got := x.run(t, call("r1", "n")); got != 2 {
			t.Errorf("after seven days: answer %d, want a new 2", got)
		}
	})
}
