package lifetime

import (
	"math"
	"testing"
)

// The tails below are sums of single probabilities, term by term from their
// logarithms: slow, and independent of the special functions in use.

func poissonAtMost(count int64, mean float64) float64 {
	if count < 0 {
		return 0
	}
	sum := 0.0
	for k := int64(0); k <= count; k++ {
		sum += poissonTerm(k, mean)
	}
	return sum
}

func poissonTerm(k int64, mean float64) float64 {
	if mean == 0 {
		if k == 0 {
			return 1
		}
		return 0
	}
	lg, _ := math.Lgamma(float64(k) + 1)
	return math.Exp(float64(k)*math.Log(mean) - mean - lg)
}

func binomialTerm(k, n int64, p float64) float64 {
	a, _ := math.Lgamma(float64(n) + 1)
	b, _ := math.Lgamma(float64(k) + 1)
	c, _ := math.Lgamma(float64(n-k) + 1)
	return math.Exp(a - b - c + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p))
}

func binomialAtMost(count, n int64, p float64) float64 {
	sum := 0.0
	for k := int64(0); k <= count; k++ {
		sum += binomialTerm(k, n, p)
	}
	return sum
}

// bisect finds where f, which falls, crosses zero.
func bisect(low, high float64, f func(float64) float64) float64 {
	for range 200 {
		mid := (low + high) / 2
		if f(mid) > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

func TestPoissonLimitsAgainstBisectionOfTails(t *testing.T) {
	for _, confidence := range []float64{0.5, 0.9, 0.95, 0.999} {
		tail := (1 - confidence) / 2
		for _, count := range []int64{0, 1, 2, 3, 7, 19, 64, 150} {
			got, err := PoissonRate(count, 1, confidence)
			if err != nil {
				t.Fatal(err)
			}
			most := float64(count)*3 + 40
			high := bisect(0, most, func(m float64) float64 { return poissonAtMost(count, m) - tail })
			// 1e-10: rounding of up to 150 summed terms over the slope there.
			near(t, "high", got.High, high, 1e-10)
			if count > 0 {
				low := bisect(0, most, func(m float64) float64 { return poissonAtMost(count-1, m) - (1 - tail) })
				near(t, "low", got.Low, low, 1e-10)
			}
		}
	}
}

func TestClopperPearsonAgainstBisectionOfTails(t *testing.T) {
	for _, n := range []int64{1, 2, 5, 17, 60} {
		for count := int64(0); count <= n; count++ {
			got, err := ClopperPearson(count, n, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			if count < n {
				high := bisect(0, 1, func(p float64) float64 { return binomialAtMost(count, n, p) - 0.025 })
				near(t, "high", got.High, high, 1e-10)
			}
			if count > 0 {
				low := bisect(0, 1, func(p float64) float64 { return binomialAtMost(count-1, n, p) - 0.975 })
				near(t, "low", got.Low, low, 1e-10)
			}
		}
	}
}

// Exact limits cover any true value with at least the stated probability: the
// probabilities of all counts whose interval holds it are added up.
func TestExactLimitsCover(t *testing.T) {
	const confidence, n = 0.95, 40
	for step := 1; step < 200; step++ {
		p := float64(step) / 200
		covered := 0.0
		for k := int64(0); k <= n; k++ {
			if i, _ := ClopperPearson(k, n, confidence); i.Low <= p && p <= i.High {
				covered += binomialTerm(k, n, p)
			}
		}
		if covered < confidence-1e-12 {
			t.Errorf("a share of %g is covered with %g", p, covered)
		}
		mean := float64(step) / 10
		covered = 0
		for k := int64(0); k <= 100; k++ {
			if i, _ := PoissonRate(k, 1, confidence); i.Low <= mean && mean <= i.High {
				covered += poissonTerm(k, mean)
			}
		}
		if covered < confidence-1e-12 {
			t.Errorf("a mean of %g is covered with %g", mean, covered)
		}
	}
}

// Wilson's limits cover 95 % on average over the shares (Agresti and Coull
// 1998, Amer. Statist. 52:119-126), though not for each.
func TestWilsonCoversOnAverage(t *testing.T) {
	const n, steps = 30, 400
	sum := 0.0
	for step := range steps {
		p := (float64(step) + 0.5) / steps
		for k := int64(0); k <= n; k++ {
			if i, _ := WilsonShare(k, n, 0.95); i.Low <= p && p <= i.High {
				sum += binomialTerm(k, n, p) / steps
			}
		}
	}
	if sum < 0.945 || sum > 0.965 {
		t.Errorf("covers %g on average", sum)
	}
}
