package command

import (
	"context"
	"errors"
)

// flight is a call that runs now.
type flight struct {
	hash   hash
	done   chan struct{}
	answer kept
	err    error
}

// fly lets one of equal calls run and gives its outcome to those that came
// meanwhile. A caller that left takes nobody with it: the next one runs.
func (r *Runner) fly(ctx context.Context, k key, h hash, run func() (kept, error)) (kept, error) {
	for {
		f, mine := r.board(k, h)
		if mine {
			return r.pilot(k, f, run)
		}
		select {
		case <-f.done:
		case <-ctx.Done():
			return kept{}, ctx.Err()
		}
		if f.err == nil && f.hash != h {
			return kept{}, errReused(k)
		}
		if f.hash == h && !gone(f.err) {
			return f.answer, f.err
		}
		// The other call failed, so its id is free; or its caller gave up
		// before it ran.
	}
}

// board gives the flight of a key, and whether the caller has to run it.
func (r *Runner) board(k key, h hash) (f *flight, mine bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if f := r.flights[k]; f != nil {
		return f, false
	}
	if r.flights == nil {
		r.flights = map[key]*flight{}
	}
	f = &flight{hash: h, done: make(chan struct{}), err: errNotRun}
	r.flights[k] = f
	return f, true
}

// errNotRun stands in a flight whose run panicked.
var errNotRun = errors.New("the call was not run")

func (r *Runner) pilot(k key, f *flight, run func() (kept, error)) (kept, error) {
	defer func() {
		r.mu.Lock()
		delete(r.flights, k)
		r.mu.Unlock()
		close(f.done)
	}()
	f.answer, f.err = run()
	return f.answer, f.err
}

// gone reports whether a call ended because its own caller went away.
func gone(err error) bool {
	return errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, errNotRun)
}
