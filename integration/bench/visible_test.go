package bench

import (
	"slices"
	"sync"
	"testing"
	"time"

	"spindlewright/integration/scenario"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// BenchmarkVisible: 500 events a second for 20 s; from the moment a command is
// sent until an answer of reliability rests on its event. Positions are
// matched to commands in order of sending: two commands under way at once may
// swap places, which moves neither by more than a command's own time.
func BenchmarkVisible(b *testing.B) {
	n := open(b, "")
	const perSecond, seconds, clients = 500, 20, 8
	spindles := n.spindles(b, clients)
	from, err := n.CaughtUp(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	base := from["intake"]
	var mu sync.Mutex
	var sent []time.Time
	stopWatching := make(chan struct{})
	seen := make(chan map[int64]time.Time, 1)
	go func() { seen <- n.watch(b, base, stopWatching) }()

	tick := time.NewTicker(time.Second / perSecond)
	defer tick.Stop()
	due := make(chan int, perSecond)
	var wg sync.WaitGroup
	for c := range clients {
		wg.Add(1)
		go func() {
			defer wg.Done()
			ctx := scenario.As(b.Context(), n.cast.Steward)
			k := 0
			for range due {
				mu.Lock()
				sent = append(sent, time.Now())
				mu.Unlock()
				k++
				if err := n.reading(ctx, spindles[c], k); err != nil {
					b.Error(err)
					return
				}
			}
		}()
	}
	start := time.Now()
	for i := range perSecond * seconds {
		<-tick.C
		due <- i
	}
	close(due)
	wg.Wait()
	took := time.Since(start)
	if _, err := n.CaughtUp(b.Context()); err != nil {
		b.Fatal(err)
	}
	time.Sleep(50 * time.Millisecond)
	close(stopWatching)
	at := <-seen
	var delays []time.Duration
	positions := make([]int64, 0, len(at))
	for p := range at {
		positions = append(positions, p)
	}
	slices.Sort(positions)
	next := 0
	for _, p := range positions { // everything up to p became visible at at[p]
		for ; next < len(sent) && int64(next) < p-base; next++ {
			delays = append(delays, at[p].Sub(sent[next]))
		}
	}
	if len(delays) < perSecond*seconds {
		b.Fatalf("%d of %d events became visible", len(delays), perSecond*seconds)
	}
	b.Logf("%.0f events a second; median %v, p99 %v, worst %v", float64(len(sent))/took.Seconds(), quantile(delays, 0.5), quantile(delays, 0.99), delays[len(delays)-1])
	record(b, figure{"command sent to statistics visible, 500 events/s, p99", quantile(delays, 0.99).Seconds() * 1000, 250, false, "ms", "as promised"})
}

// watch asks reliability every few milliseconds how far it is.
func (n *network) watch(b *testing.B, base int64, stop <-chan struct{}) map[int64]time.Time {
	api := reliabilityv1.NewReliabilityServiceClient(n.Conn("reliability"))
	ctx := scenario.As(b.Context(), n.cast.Engineer)
	at := map[int64]time.Time{}
	last := base
	for {
		select {
		case <-stop:
			return at
		case <-time.After(4 * time.Millisecond):
		}
		got, err := api.QueryMtbr(ctx, &reliabilityv1.QueryMtbrRequest{})
		if err != nil {
			b.Error(err)
			return at
		}
		if p := got.Basis.DataVersion["intake"]; p > last {
			at[p], last = time.Now(), p
		}
	}
}
