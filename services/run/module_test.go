package run

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
)

func names(ms []module) string {
	var n []string
	for _, m := range ms {
		n = append(n, m.name)
	}
	return strings.Join(n, " ")
}

func TestOrderFollowsNeeds(t *testing.T) {
	for _, c := range []struct {
		name  string
		table []module
		order string
		err   string
	}{
		{"needs come first", []module{{name: "c", needs: []string{"b"}}, {name: "b", needs: []string{"a"}}, {name: "a"}}, "a b c", ""},
		{"else the table's order", []module{{name: "x"}, {name: "b", needs: []string{"a"}}, {name: "a"}}, "x a b", ""},
		{"a shared need once", []module{{name: "b", needs: []string{"a"}}, {name: "c", needs: []string{"a"}}, {name: "a"}}, "a b c", ""},
		{"a circle is named", []module{{name: "a", needs: []string{"b"}}, {name: "b", needs: []string{"c"}}, {name: "c", needs: []string{"b"}}}, "", "b -> c -> b"},
		{"itself", []module{{name: "a", needs: []string{"a"}}}, "", "a -> a"},
		{"an unknown need is named", []module{{name: "a", needs: []string{"q"}}}, "", "needs q"},
		{"twice", []module{{name: "a"}, {name: "a"}}, "", "twice"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := inOrder(c.table)
			if c.err != "" {
				if err == nil || !strings.Contains(err.Error(), c.err) {
					t.Fatalf("error %v, want %q", err, c.err)
				}
				return
			}
			if err != nil || names(got) != c.order {
				t.Fatalf("order %q, %v; want %q", names(got), err, c.order)
			}
		})
	}
}

// recorder builds modules that note their start and stop.
type recorder struct{ log []string }

func (r *recorder) module(name string, fail error, needs ...string) module {
	return module{name, needs, func(context.Context) (func(context.Context) error, error) {
		r.log = append(r.log, "+"+name)
		if fail != nil {
			return nil, fail
		}
		return func(context.Context) error { r.log = append(r.log, "-"+name); return nil }, nil
	}}
}

func TestStopsInReverse(t *testing.T) {
	var r recorder
	var s stack
	if err := s.start(t.Context(), []module{r.module("c", nil, "a", "b"), r.module("b", nil), r.module("a", nil, "b")}); err != nil {
		t.Fatal(err)
	}
	if err := s.stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join(r.log, " "), "+b +a +c -c -a -b"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if err := s.stop(t.Context()); err != nil || len(r.log) != 6 {
		t.Errorf("a second stop did something: %v %v", err, r.log)
	}
}

func TestFailedStartStopsWhatWasStarted(t *testing.T) {
	var r recorder
	var s stack
	broken := errors.New("disk full")
	err := s.start(t.Context(), []module{r.module("a", nil), r.module("b", broken, "a"), r.module("c", nil, "b")})
	if !errors.Is(err, broken) || !strings.HasPrefix(err.Error(), "b: ") {
		t.Errorf("error %v does not name b", err)
	}
	if got, want := strings.Join(r.log, " "), "+a +b -a"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestOverrunIsNamedAndTheRestIsStopped(t *testing.T) {
	var r recorder
	var s stack
	release := make(chan struct{})
	defer close(release)
	stuck := module{"stuck", []string{"locks"}, func(context.Context) (func(context.Context) error, error) {
		return func(context.Context) error { <-release; return nil }, nil
	}}
	if err := s.start(t.Context(), []module{r.module("locks", nil), stuck}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	if err := s.stop(ctx); !errors.Is(err, errOverrun) || !strings.Contains(err.Error(), "stuck") {
		t.Errorf("error %v does not name stuck", err)
	}
	if !slices.Contains(r.log, "-locks") {
		t.Error("what comes after the stuck module was not stopped")
	}
}
