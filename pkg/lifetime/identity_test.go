package lifetime

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func confidences(t *rapid.T) float64 {
	return rapid.Float64Range(0.001, 0.9999).Draw(t, "confidence")
}

// shares draws a count out of n, small and large n alike.
func shares(t *rapid.T) (count, n int64) {
	n = rapid.OneOf(rapid.Int64Range(1, 40), rapid.Int64Range(1, MaxCount)).Draw(t, "n")
	return rapid.Int64Range(0, n).Draw(t, "count"), n
}

func TestSharesMirror(t *testing.T) {
	for name, method := range map[string]func(int64, int64, float64) (Interval, error){
		"wilson": WilsonShare, "exact": ClopperPearson,
	} {
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			count, n := shares(t)
			confidence := confidences(t)
			a, errA := method(count, n, confidence)
			b, errB := method(n-count, n, confidence)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			if !(0 <= a.Low && a.Low <= a.Value && a.Value <= a.High && a.High <= 1) {
				t.Fatalf("limits do not enclose: %+v", a)
			}
			// 1e-12 absolute: the mirror image is formed by 1 - x.
			if math.Abs(a.Low-(1-b.High)) > 1e-12 || math.Abs(a.High-(1-b.Low)) > 1e-12 {
				t.Fatalf("%+v does not mirror %+v", a, b)
			}
		}))
	}
}

func TestShareEndsAreExact(t *testing.T) {
	for _, n := range []int64{1, 2, 29, 1e6, MaxCount} {
		for name, method := range map[string]func(int64, int64, float64) (Interval, error){
			"wilson": WilsonShare, "exact": ClopperPearson,
		} {
			none, _ := method(0, n, 0.95)
			all, _ := method(n, n, 0.95)
			if none.Low != 0 || all.High != 1 {
				t.Errorf("%s, n = %d: none %+v, all %+v", name, n, none, all)
			}
		}
	}
}

func TestMTBRLimitsAreReciprocalRates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		repairs := rapid.OneOf(rapid.Int64Range(1, 50), rapid.Int64Range(1, MaxCount)).Draw(t, "repairs")
		exposure := math.Exp(rapid.Float64Range(-40, 40).Draw(t, "log exposure"))
		confidence := confidences(t)
		m, errM := MTBR(repairs, exposure, confidence)
		rate, errR := PoissonRate(repairs, exposure, confidence)
		if errM != nil || errR != nil {
			t.Fatal(errM, errR)
		}
		near(t, "value", *m.Value, 1/rate.Value, 1e-12)
		near(t, "low", m.Low, 1/rate.High, 1e-12)
		near(t, "high", *m.High, 1/rate.Low, 1e-12)
	})
}

func TestUnitOfExposureScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.Int64Range(0, 5000).Draw(t, "count")
		exposure := rapid.Float64Range(1, 1e9).Draw(t, "hours")
		confidence := confidences(t)
		const days = 1.0 / 24
		hourly, _ := PoissonRate(count, exposure, confidence)
		daily, _ := PoissonRate(count, exposure*days, confidence)
		nearEither(t, daily, Interval{hourly.Value / days, hourly.Low / days, hourly.High / days})
		inHours, _ := MTBR(count, exposure, confidence)
		inDays, _ := MTBR(count, exposure*days, confidence)
		near(t, "low", inDays.Low, inHours.Low*days, 1e-12)
	})
}

// nearEither is for identities, which hold to rounding.
func nearEither(t *rapid.T, got, want Interval) {
	near(t, "value", got.Value, want.Value, 1e-12)
	near(t, "low", got.Low, want.Low, 1e-12)
	near(t, "high", got.High, want.High, 1e-12)
}

func TestHigherConfidenceIsWider(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		count, n := shares(t)
		narrow := rapid.Float64Range(0.01, 0.9).Draw(t, "narrow")
		wide := rapid.Float64Range(narrow+0.01, 0.999).Draw(t, "wide")
		for name, f := range map[string]func(float64) (Interval, error){
			"wilson": func(c float64) (Interval, error) { return WilsonShare(count, n, c) },
			"exact":  func(c float64) (Interval, error) { return ClopperPearson(count, n, c) },
			"rate":   func(c float64) (Interval, error) { return PoissonRate(count, float64(n), c) },
		} {
			a, errA := f(narrow)
			b, errB := f(wide)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			if b.Low > a.Low || b.High < a.High {
				t.Fatalf("%s: %+v at %g, %+v at %g", name, a, narrow, b, wide)
			}
		}
	})
}

// With many trials and few events a share and a rate per trial agree
// (Poisson's limit of the binomial); the relative error is about n⁻¹.
func TestRareSharesBecomeRates(t *testing.T) {
	for _, count := range []int64{0, 1, 5, 40} {
		const n = 1e9
		share, _ := ClopperPearson(count, n, 0.95)
		rate, _ := PoissonRate(count, n, 0.95)
		nearInterval(t, share, rate, 1e-6)
	}
}
