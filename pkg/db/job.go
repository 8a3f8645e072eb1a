package db

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync/atomic"

	"spindlewright/pkg/failpoint"
)

// job is one caller's write on its way.
type job struct {
	ctx   context.Context // the caller's values without its end
	do    func(tx *Tx) error
	state atomic.Int32
	err   error
	after []func()
	done  chan struct{}
}

// The states of a job. Only a queued one can be given up.
const (
	queued int32 = iota
	started
	abandoned
)

var (
	errNested = errors.New("a job may not start another write; do its work in the same transaction")
	errGoexit = errors.New("the job ended its goroutine (runtime.Goexit, or FailNow of a test)")
)

// PanicError is the error of a job that panicked.
type PanicError struct {
	Value any
	Stack []byte
}

func (e *PanicError) Error() string { return fmt.Sprintf("the job panicked: %v", e.Value) }

// Unwrap gives the error that was panicked with, if it was one.
func (e *PanicError) Unwrap() error {
	err, _ := e.Value.(error)
	return err
}

type inJobKey struct{}

func inJob(ctx context.Context) bool { return ctx.Value(inJobKey{}) != nil }

func newJob(ctx context.Context, do func(tx *Tx) error) *job {
	ctx = context.WithValue(context.WithoutCancel(ctx), inJobKey{}, true)
	return &job{ctx: ctx, do: do, done: make(chan struct{})}
}

// start claims the job for a run; false when its caller gave it up.
func (j *job) start() bool { return j.state.CompareAndSwap(queued, started) }

// abandon gives the job up; false when it was started.
func (j *job) abandon() bool { return j.state.CompareAndSwap(queued, abandoned) }

// reply answers the caller.
func (j *job) reply(err error) {
	j.err = err
	close(j.done)
}

// run runs the job once on a transaction and leaves what is to happen after
// its commit in j.after. A panic becomes an error.
func (j *job) run(on statements, forUpdate string, c *counts) (err error) {
	tx := &Tx{on: on, ctx: j.ctx, forUpdate: forUpdate}
	j.after = nil
	defer func() {
		if v := recover(); v != nil {
			c.panics.Add(1)
			err = &PanicError{Value: v, Stack: debug.Stack()}
			_ = tx.end() // the panic says more
		}
	}()
	if err := j.do(tx); err != nil {
		_ = tx.end() // what it would tell is in err, or the job chose not to
		return tx.reason(err)
	}
	if err := tx.end(); err != nil {
		return err
	}
	j.after = tx.after
	return nil
}

// committed runs what waits for the commit, in the caller's goroutine.
func (j *job) committed() {
	for _, f := range j.after {
		f()
	}
}

// hit is a failpoint whose panic must not take the writer with it.
func hit(name string) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &PanicError{Value: v, Stack: debug.Stack()}
		}
	}()
	return failpoint.Hit(name)
}
