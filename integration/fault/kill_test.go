package fault

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"spindlewright/integration/fleet"
	"spindlewright/pkg/rig"
)

// killFor is how long the processes are killed at random.
const killFor = 30 * time.Second

// TestKillLoop kills service processes and the NATS server at random for half
// a minute while commands go on, and then holds them to their promise. The
// seed is printed: the order of kills (not their timing) can be had again.
func TestKillLoop(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 1))
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	bus := rig.NATSServer(t)
	f := fleet.Start(t, fleet.Plan{NATSURL: bus.URL})
	site := f.Site()
	cast, err := site.SetUp(ctx)
	if err != nil {
		t.Fatal(err)
	}
	l := newLoad(site, cast)
	stop := time.Now().Add(killFor)
	lives, kills := 0, 0
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		for ; time.Now().Before(stop); lives += 12 {
			if err := l.run(gctx, lives, lives+12); err != nil {
				return err
			}
		}
		return nil
	})
	g.Go(func() error {
		for ; time.Now().Before(stop); kills++ {
			select {
			case <-gctx.Done():
				return nil
			case <-time.After(time.Duration(200+dice.IntN(700)) * time.Millisecond):
			}
			if err := killOne(f, bus, dice); err != nil {
				return err
			}
		}
		return nil
	})
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d lives of 4 commands, %d kills, %d commands sent again", lives, kills, l.retries.Load())
	if lives == 0 || kills < 10 {
		t.Fatalf("too little happened: %d lives, %d kills", lives, kills)
	}
	l.verify(ctx, t)
}

func killOne(f *fleet.Fleet, bus *rig.Server, dice *rand.Rand) error {
	names := f.Names()
	pick := dice.IntN(len(names) + 1)
	if pick == len(names) {
		if err := bus.Kill(); err != nil {
			return err
		}
		return bus.Restart()
	}
	m := f.Member(names[pick])
	if err := m.Kill(); err != nil {
		return err
	}
	return m.Start()
}
