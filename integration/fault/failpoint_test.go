package fault

import (
	"context"
	"fmt"
	"testing"
	"time"

	"spindlewright/integration/fleet"
	"spindlewright/pkg/failpoint"
)

// TestFailpoints arms every failpoint with an error, a panic and SIGKILL in
// turn, lets commands run into it, starts the process again where it died, and
// then holds it to its promise. In parallel by two: each run is mostly waiting.
func TestFailpoints(t *testing.T) {
	for _, point := range failpoint.Names {
		for _, action := range []string{"error", "panic", "kill"} {
			t.Run(point+"/"+action, func(t *testing.T) {
				t.Parallel()
				breakAt(t, point, action)
			})
		}
	}
}

func breakAt(t *testing.T, point, action string) {
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	const armed = "SPINDLEWRIGHT_FAILPOINTS"
	f := fleet.Start(t, fleet.Plan{Whole: true})
	site := f.Site()
	cast, err := site.SetUp(ctx)
	if err != nil {
		t.Fatal(err)
	}
	l := newLoad(site, cast)
	if err := l.run(ctx, 0, 3); err != nil {
		t.Fatal(err)
	}
	m := f.Member("whole-1")
	if err := m.Kill(); err != nil {
		t.Fatal(err)
	}
	// Errors and panics come and go; the kill comes after a few hits in good
	// health, and the process started after it is not armed.
	when := "0.2"
	if action == "kill" {
		when = "5"
	}
	m.Arm(fmt.Sprintf("%s=%s=%s:%s", armed, point, action, when))
	if err := m.Start(); err != nil && action != "kill" {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- l.run(ctx, 3, 15) }()
	for finished := false; !finished; {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			finished = true
		case <-m.Done():
			if action != "kill" {
				t.Fatalf("the process died of an injected %s:\n%s", action, m.Log())
			}
			m.Disarm(armed)
			if err := m.Start(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if m.Running() {
		m.Disarm(armed)
		if err := m.Kill(); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Start(); err != nil {
		t.Fatal(err)
	}
	l.verify(ctx, t)
}
