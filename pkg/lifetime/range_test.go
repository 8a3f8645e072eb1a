package lifetime

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

func TestRefusalsNameArgumentValueAndRange(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	share := func(count, n int64, c float64) error { _, err := WilsonShare(count, n, c); return err }
	exact := func(count, n int64, c float64) error { _, err := ClopperPearson(count, n, c); return err }
	rate := func(count int64, e, c float64) error { _, err := PoissonRate(count, e, c); return err }
	mtbr := func(count int64, e, c float64) error { _, err := MTBR(count, e, c); return err }
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"no trials", share(0, 0, 0.95), "n is 0, must be between 1 and"},
		{"no trials, exact", exact(0, 0, 0.95), "n is 0, must be between 1 and"},
		{"negative trials", share(0, -3, 0.95), "n is -3"},
		{"too many trials", exact(0, MaxCount+1, 0.95), "n is 1000000000001"},
		{"more than all", share(8, 7, 0.95), "count is 8, must be between 0 and 7"},
		{"fewer than none", exact(-1, 7, 0.95), "count is -1"},
		{"sure", share(1, 2, 1), "confidence is 1, must be above 0 and below 1"},
		{"no confidence", rate(1, 2, 0), "confidence is 0"},
		{"confidence in per cent", mtbr(1, 2, 95), "confidence is 95"},
		{"confidence not a number", mtbr(1, 2, nan), "confidence is NaN"},
		{"negative events", rate(-1, 2, 0.9), "count is -1"},
		{"negative repairs", mtbr(-1, 2, 0.9), "repairs is -1"},
		{"no exposure", mtbr(0, 0, 0.9), "exposure is 0, must be between 1e-200 and 1e+200"},
		{"negative exposure", rate(0, -5, 0.9), "exposure is -5"},
		{"endless exposure", rate(0, inf, 0.9), "exposure is +Inf"},
		{"exposure not a number", mtbr(3, nan, 0.9), "exposure is NaN"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var ranged *RangeError
			if !errors.As(c.err, &ranged) {
				t.Fatalf("error is %v", c.err)
			}
			if !strings.Contains(c.err.Error(), c.want) {
				t.Errorf("says %q, want %q", c.err, c.want)
			}
		})
	}
}

func TestExtremesStayFinite(t *testing.T) {
	counts := []int64{0, 1, 2, 1000, 1e9, MaxCount - 1, MaxCount}
	levels := []float64{5e-324, 1e-9, 0.5, 1 - 1e-9, math.Nextafter(1, 0)}
	for _, confidence := range levels {
		for _, count := range counts {
			for _, exposure := range []float64{MinExposure, 1, MaxExposure} {
				name := fmt.Sprintf("count %d, exposure %g, confidence %g", count, exposure, confidence)
				r, err := PoissonRate(count, exposure, confidence)
				sound(t, "rate, "+name, r, err)
				m, err := MTBR(count, exposure, confidence)
				if err == nil && m.Value != nil {
					sound(t, "mtbr, "+name, Interval{*m.Value, m.Low, *m.High}, nil)
				} else if err != nil || !(m.Low > 0) {
					t.Errorf("mtbr, %s: %+v, %v", name, m, err)
				}
			}
			for _, n := range counts {
				if n == 0 || count > n {
					continue
				}
				name := fmt.Sprintf("%d of %d, confidence %g", count, n, confidence)
				w, err := WilsonShare(count, n, confidence)
				sound(t, "wilson, "+name, w, err)
				e, err := ClopperPearson(count, n, confidence)
				sound(t, "exact, "+name, e, err)
			}
		}
	}
}

func sound(t *testing.T, what string, i Interval, err error) {
	t.Helper()
	ok := err == nil && 0 <= i.Low && i.Low <= i.Value && i.Value <= i.High && !math.IsInf(i.High, 0)
	if !ok {
		t.Errorf("%s: %+v, %v", what, i, err)
	}
}
