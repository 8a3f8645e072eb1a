package events

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"spindlewright/pkg/failpoint"
)

// TestFailpointsBehaveAsPassingFaults arms each place in turn, so that every
// second pass through it fails or panics, and expects everything once.
func TestFailpointsBehaveAsPassingFaults(t *testing.T) {
	for _, mode := range []string{"error", "panic"} {
		for _, place := range []string{
			"outbox.before-publish", "outbox.after-publish", "outbox.before-mark", "outbox.after-mark",
			"inbox.before-apply", "inbox.before-commit", "inbox.after-commit", "inbox.before-ack",
		} {
			t.Run(place+"="+mode, func(t *testing.T) {
				p := newPair(t, "")
				p.follow.setRefuse("bad", "no")
				p.in.start(t, p.nc)
				want := map[string]string{}
				for n := range 40 {
					id := fmt.Sprint("j", n%4)
					texts := []string{fmt.Sprint(n), "bad"}
					p.o.record(id, texts...)
					want["origin/"+id] = strings.TrimSpace(want["origin/"+id] + " " + texts[0])
					if n == 10 {
						_, disarm, err := failpoint.Arm(place + "=" + mode + ":0.5")
						if err != nil {
							t.Fatal(err)
						}
						t.Cleanup(disarm)
					}
				}
				p.rows(t, want)
				p.parked(t, 40)
				eventuallyPublished(t, p.nc, "origin", 80)
			})
		}
	}
}

func TestNothingStaysBehind(t *testing.T) {
	p := newPair(t, "")
	p.o.record("warm", "up")
	p.o.eventuallyMarked()
	first := p.in.start(t, p.nc) // the consumer that this makes stays in the server
	p.rows(t, map[string]string{"origin/warm": "up"})
	first()
	before := goleak.IgnoreCurrent()
	relay := background(t, func(ctx context.Context) error { return p.o.Relay(ctx, p.nc) })
	inbox := p.in.start(t, p.nc)
	p.o.record("a", "1")
	p.rows(t, map[string]string{"origin/warm": "up", "origin/a": "1"})
	inbox()
	relay()
	eventuallyClean(t, before)
}

func eventuallyClean(t *testing.T, opts ...goleak.Option) {
	t.Helper()
	var err error
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); {
		if err = goleak.Find(opts...); err == nil {
			return
		}
	}
	t.Error(err)
}
