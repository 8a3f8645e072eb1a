package bench

import (
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// median runs f n times, after a tenth for warming up, and gives its median time.
func median(b *testing.B, n int, f func() error) time.Duration {
	b.Helper()
	times := make([]time.Duration, 0, n)
	for i := range n + n/10 {
		start := time.Now()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		if i >= n/10 {
			times = append(times, time.Since(start))
		}
	}
	return quantile(times, 0.5)
}

func quantile(times []time.Duration, p float64) time.Duration {
	slices.Sort(times)
	return times[min(len(times)-1, int(p*float64(len(times))))]
}

// rate lets clients call f for a while and gives calls a second. f gets the
// client's number and how often that client called before.
func rate(b *testing.B, clients int, f func(client, k int) error) float64 {
	b.Helper()
	const warm, measured = time.Second, 5 * time.Second
	var counting atomic.Bool
	var done atomic.Int64
	var failed atomic.Pointer[error]
	stop := time.Now().Add(warm + measured)
	var wg sync.WaitGroup
	time.AfterFunc(warm, func() { counting.Store(true) })
	for c := range clients {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for k := 0; time.Now().Before(stop); k++ {
				if err := f(c, k); err != nil {
					failed.Store(&err)
					return
				}
				if counting.Load() {
					done.Add(1)
				}
			}
		}()
	}
	wg.Wait()
	if err := failed.Load(); err != nil {
		b.Fatal(*err)
	}
	return float64(done.Load()) / measured.Seconds()
}
