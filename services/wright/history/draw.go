package history

import (
	"math"
	"math/rand/v2"
)

// draws is a stream of random numbers that is the same on every machine: the
// generator and the step to a float are fixed by their definition, the inverse
// distribution functions are ours.
type draws struct{ r *rand.Rand }

func newDraws(number, stream uint64) draws {
	return draws{rand.New(rand.NewPCG(number, stream))}
}

// unit is uniform in (0,1), never 0.
func (d draws) unit() float64 { return (float64(d.r.Uint64()>>11) + 0.5) / (1 << 53) }

// chance is true with probability p.
func (d draws) chance(p float64) bool { return d.unit() < p }

// between is a whole number from low to high, both included.
func (d draws) between(low, high int64) int64 {
	return low + int64(d.unit()*float64(high-low+1))
}

// weibull draws a life in whole tenths of an hour, at least one, from
// S(t) = exp(-frailty (t/scale)^shape).
func (d draws) weibull(shape, scale, frailty float64) int64 {
	t := scale * math.Pow(-math.Log(d.unit())/frailty, 1/shape)
	return max(1, int64(math.Round(min(t, 1e9))))
}

// wait draws from an exponential distribution with the given mean, in days.
func (d draws) wait(mean float64) int64 { return int64(math.Round(-math.Log(d.unit()) * mean)) }

// pick draws a position by weight.
func pick[T any](d draws, list []T, weight func(T) float64) T {
	total := 0.0
	for _, x := range list {
		total += weight(x)
	}
	at := d.unit() * total
	for _, x := range list {
		if at -= weight(x); at < 0 {
			return x
		}
	}
	return list[len(list)-1]
}
