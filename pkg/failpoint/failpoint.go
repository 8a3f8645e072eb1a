package failpoint

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"sync/atomic"
	"syscall"
)

// Variable is the environment variable that arms failpoints.
const Variable = "SPINDLEWRIGHT_FAILPOINTS"

// ErrInjected is inside every error that a failpoint returns.
var ErrInjected = errors.New("failpoint")

// armed is nil unless failpoints were asked for. It belongs to the process, as
// the environment variable does: a killed process takes everything with it.
var armed atomic.Pointer[set]

// set is what one specification armed.
type set map[string]*point

// point is one armed failpoint.
type point struct {
	name string
	mode mode
	// pass is how many hits go by before the first that fires.
	pass int64
	// probability that a hit fires; 1 unless stated.
	probability float64
	hits        atomic.Int64
}

type mode string

const (
	modeError mode = "error"
	modePanic mode = "panic"
	modeKill  mode = "kill"
)

// Hit is the place called name. It returns nil unless that place is armed and
// its turn has come.
func Hit(name string) error {
	s := armed.Load()
	if s == nil {
		return nil
	}
	return s.hit(name)
}

func (s *set) hit(name string) error {
	p := (*s)[name]
	if p == nil || p.hits.Add(1) <= p.pass {
		return nil
	}
	if p.probability < 1 && rand.Float64() >= p.probability {
		return nil
	}
	return p.fire()
}

func (p *point) fire() error {
	switch p.mode {
	case modePanic:
		panic(fmt.Sprintf("failpoint %s", p.name))
	case modeKill:
		// SIGKILL cannot be caught: nothing is flushed, closed or answered.
		if err := syscall.Kill(os.Getpid(), syscall.SIGKILL); err == nil {
			select {}
		}
	}
	return fmt.Errorf("%w %s", ErrInjected, p.name)
}

// FromEnv arms what SPINDLEWRIGHT_FAILPOINTS asks for and gives the names of
// the armed places, none when the variable is unset or empty.
func FromEnv(lookup func(string) (string, bool)) ([]string, error) {
	spec, _ := lookup(Variable)
	names, _, err := Arm(spec)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", Variable, err)
	}
	return names, nil
}

// Arm arms a specification in place of what was armed before. disarm takes it
// back; tests use it.
func Arm(spec string) (names []string, disarm func(), err error) {
	s, names, err := parse(spec)
	if err != nil {
		return nil, nil, err
	}
	if len(s) == 0 {
		armed.Store(nil)
		return nil, func() {}, nil
	}
	mine := &s
	armed.Store(mine)
	return names, func() { armed.CompareAndSwap(mine, nil) }, nil
}
