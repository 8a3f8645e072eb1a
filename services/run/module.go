package run

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// module is a part of a process: what it needs to be built first, and how it
// is built. build gives what stops it, or nil.
type module struct {
	name  string
	needs []string
	build func(ctx context.Context) (stop func(context.Context) error, err error)
}

// inOrder sorts modules so that each comes after what it needs; otherwise the
// order of the table stays. A cycle and an unknown need are refused.
func inOrder(table []module) ([]module, error) {
	byName := map[string]module{}
	for _, m := range table {
		if _, twice := byName[m.name]; twice {
			return nil, fmt.Errorf("module %s is in the table twice", m.name)
		}
		byName[m.name] = m
	}
	var ordered []module
	placed := map[string]bool{}
	var place func(name string, path []string) error
	place = func(name string, path []string) error {
		if placed[name] {
			return nil
		}
		for i, p := range path {
			if p == name {
				return fmt.Errorf("modules need each other in a circle: %s", strings.Join(append(path[i:], name), " -> "))
			}
		}
		m, ok := byName[name]
		if !ok {
			return fmt.Errorf("module %s needs %s, which is not in the table", path[len(path)-1], name)
		}
		for _, n := range m.needs {
			if err := place(n, append(path, name)); err != nil {
				return err
			}
		}
		placed[name] = true
		ordered = append(ordered, m)
		return nil
	}
	for _, m := range table {
		if err := place(m.name, nil); err != nil {
			return nil, err
		}
	}
	return ordered, nil
}

// stack holds what was started, to be stopped in reverse.
type stack struct {
	names []string
	stops []func(context.Context) error
}

// start builds modules in order. When one fails, those before it are stopped.
func (s *stack) start(ctx context.Context, table []module) error {
	ordered, err := inOrder(table)
	if err != nil {
		return err
	}
	for _, m := range ordered {
		stop, err := m.build(ctx)
		if err != nil {
			bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), undoDeadline)
			defer cancel()
			return errors.Join(fmt.Errorf("%s: %w", m.name, err), s.stop(bounded))
		}
		if stop != nil {
			s.names, s.stops = append(s.names, m.name), append(s.stops, stop)
		}
	}
	return nil
}

// undoDeadline bounds the stop of what was built before a failed start.
const undoDeadline = 10 * time.Second

// stop stops everything in reverse. A module that overruns the deadline is
// left behind and named, and the next is stopped all the same: locks and
// stores come last and must be let go in any case.
func (s *stack) stop(ctx context.Context) error {
	var errs []error
	for i := len(s.stops) - 1; i >= 0; i-- {
		errs = append(errs, named(s.names[i], within(ctx, s.stops[i])))
	}
	s.names, s.stops = nil, nil
	return errors.Join(errs...)
}

// graceAfterDeadline is what each module still gets once the deadline is over,
// so that one slow module does not cost the others their orderly end.
const graceAfterDeadline = 500 * time.Millisecond

var errOverrun = errors.New("did not stop in time")

func within(ctx context.Context, stop func(context.Context) error) error {
	done := make(chan error, 1)
	go func() { done <- stop(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	select {
	case err := <-done:
		return err
	case <-time.After(graceAfterDeadline):
		return errOverrun
	}
}

func named(name string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", name, err)
}
