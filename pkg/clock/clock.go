// Package clock is where time and identifiers come from.
//
// Nothing in Spindlewright reads the machine's clock or its random source
// directly: a Clock and an IDs are passed in, so that a demo can step through
// five years and a test can name its ids. Trade time (when something happened)
// is always stated by a caller; a Clock only says when it was recorded.
package clock

import (
	"crypto/rand"
	"io"
	"sync"
	"time"

	"github.com/google/uuid"
)

// Clock tells the current time, in UTC and cut to microseconds, the resolution
// that both SQL engines keep.
type Clock interface {
	Now() time.Time
}

// System is the machine's clock.
func System() Clock { return system{} }

type system struct{}

func (system) Now() time.Time { return time.Now().UTC().Truncate(time.Microsecond) }

// Manual is a clock that moves only when told. It is safe for concurrent use.
type Manual struct {
	mu  sync.Mutex
	now time.Time
}

// NewManual returns a clock that stands at start.
func NewManual(start time.Time) *Manual {
	return &Manual{now: start.UTC().Truncate(time.Microsecond)}
}

// Now returns the time it was last set to.
func (m *Manual) Now() time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.now
}

// Set moves the clock to t. It never goes back: an earlier t changes nothing.
func (m *Manual) Set(t time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if t = t.UTC().Truncate(time.Microsecond); t.After(m.now) {
		m.now = t
	}
}

// Advance moves the clock forward by d.
func (m *Manual) Advance(d time.Duration) { m.Set(m.Now().Add(d)) }

// Micros is t as the stores keep it: microseconds since 1970 in UTC.
func Micros(t time.Time) int64 { return t.UnixMicro() }

// FromMicros is the inverse of Micros.
func FromMicros(us int64) time.Time { return time.UnixMicro(us).UTC() }

// IDs gives new identifiers.
type IDs interface {
	New() string
}

// RandomIDs gives UUIDs of version 7 (RFC 9562). Nothing in the project relies
// on their order.
func RandomIDs() IDs { return &randomIDs{source: rand.Reader} }

// IDsFrom gives UUIDs of version 7 whose random part comes from source, for
// tests that need the same ids twice.
func IDsFrom(source io.Reader) IDs { return &randomIDs{source: source} }

type randomIDs struct {
	mu     sync.Mutex
	source io.Reader
}

func (r *randomIDs) New() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return uuid.Must(uuid.NewV7FromReader(r.source)).String()
}
