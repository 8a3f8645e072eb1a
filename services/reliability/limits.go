package reliability

import (
	"sync"

	"spindlewright/pkg/lifetime"
)

// limits remembers the exact limits of a count in one unit of exposure. They
// depend on nothing else, take far longer to find than a group to count, and
// the counts of one answer recur in the next.
type limits struct {
	mu    sync.RWMutex
	known map[limitsKey]lifetime.Interval
}

type limitsKey struct {
	count      int64
	confidence float64
}

// keptLimits bounds the memory: 50 bytes an entry.
const keptLimits = 100_000

func newLimits() *limits { return &limits{known: map[limitsKey]lifetime.Interval{}} }

// of gives the Poisson limits of a count; the rate over an exposure has these
// divided by it.
func (l *limits) of(count int64, confidence float64) (lifetime.Interval, error) {
	k := limitsKey{count, confidence}
	l.mu.RLock()
	i, found := l.known[k]
	l.mu.RUnlock()
	if found {
		return i, nil
	}
	i, err := lifetime.PoissonRate(count, 1, confidence)
	if err != nil {
		return lifetime.Interval{}, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.known) >= keptLimits {
		clear(l.known)
	}
	l.known[k] = i
	return i, nil
}
