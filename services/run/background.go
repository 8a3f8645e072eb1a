package run

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"time"
)

// background runs work that must not end before the process does. Work that
// ends, fails or panics is started again with back-off, and is not well until
// it has run for a while.
type background struct {
	log    *slog.Logger
	cancel context.CancelFunc
	ctx    context.Context
	group  sync.WaitGroup
	// first and longest pause, and how long a run must last to be well again.
	first, longest, wellAfter time.Duration

	mu   sync.Mutex
	work map[string]*workState
}

// workState is what is known of one piece of work.
type workState struct {
	problem  error
	restarts int
}

func newBackground(log *slog.Logger) *background {
	ctx, cancel := context.WithCancel(context.Background())
	return &background{log: log, ctx: ctx, cancel: cancel, work: map[string]*workState{},
		first: 100 * time.Millisecond, longest: 15 * time.Second, wellAfter: 30 * time.Second}
}

// run keeps f running until stop.
func (b *background) run(name string, f func(context.Context) error) {
	b.mu.Lock()
	b.work[name] = &workState{}
	b.mu.Unlock()
	b.group.Go(func() { b.keep(name, f) })
}

func (b *background) keep(name string, f func(context.Context) error) {
	pause := b.first
	for {
		began := time.Now()
		well := time.AfterFunc(b.wellAfter, func() { b.note(name, nil) })
		err := contained(b.ctx, f)
		well.Stop()
		if b.ctx.Err() != nil {
			return
		}
		if err == nil {
			err = errors.New("ended by itself")
		}
		if time.Since(began) >= b.wellAfter {
			pause = b.first
		}
		b.note(name, err)
		b.log.Error("background work stopped; it starts again", "work", name, "error", err, "pause", pause.String())
		select {
		case <-b.ctx.Done():
			return
		case <-time.After(pause):
		}
		pause = min(2*pause, b.longest)
	}
}

// contained runs f and turns a panic into an error.
func contained(ctx context.Context, f func(context.Context) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v\n%s", p, debug.Stack())
		}
	}()
	return f(ctx)
}

func (b *background) note(name string, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	w := b.work[name]
	w.problem = err
	if err != nil {
		w.restarts++
	}
}

// states copies what is known of all work.
func (b *background) states() map[string]workState {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := make(map[string]workState, len(b.work))
	for name, w := range b.work {
		all[name] = *w
	}
	return all
}

// stop ends all work and waits for it.
func (b *background) stop(context.Context) error {
	b.cancel()
	b.group.Wait()
	return nil
}
