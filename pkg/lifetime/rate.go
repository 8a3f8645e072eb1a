package lifetime

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// PoissonRate gives the rate count/exposure, in events per unit of exposure,
// with exact limits,
//
//	low = g(a/2; x) / T,  high = g(1-a/2; x+1) / T
//
// which are the rates at which seeing x or more, x or fewer, has probability
// a/2. They hold at least the stated confidence when events come singly, at a
// constant rate, independent of each other; customers and machines that differ
// make them too short. Low is exactly 0 at count = 0.
//
// Domain: 0 <= count <= MaxCount, MinExposure <= exposure <= MaxExposure,
// 0 < confidence < 1.
//
// Source: Garwood 1936.
func PoissonRate(count int64, exposure, confidence float64) (Interval, error) {
	if err := checkRate("count", count, exposure, confidence); err != nil {
		return Interval{}, err
	}
	low, high := poissonLimits(count, (1-confidence)/2)
	return enclose(float64(count)/exposure, low/exposure, high/exposure), nil
}

// poissonLimits gives Garwood's limits for the expected count, with tail
// probability on either side.
func poissonLimits(count int64, tail float64) (low, high float64) {
	if count > 0 {
		low = gammaLower(float64(count), tail)
	}
	return low, gammaUpper(float64(count)+1, tail)
}

// gammaLower is g(p; shape). Shape 1 is the exponential distribution, where
// the closed form holds its digits for any p.
func gammaLower(shape, p float64) float64 {
	if shape == 1 {
		return -math.Log1p(-p)
	}
	return mathext.GammaIncRegInv(shape, p)
}

// gammaUpper is g(1-q; shape), from the upper tail q so that no digit is lost
// when q is small.
func gammaUpper(shape, q float64) float64 {
	if shape == 1 {
		return -math.Log(q)
	}
	return mathext.GammaIncRegCompInv(shape, q)
}

func checkRate(countName string, count int64, exposure, confidence float64) error {
	if err := checkCount(countName, count, 0, MaxCount); err != nil {
		return err
	}
	if err := checkExposure(exposure); err != nil {
		return err
	}
	return checkConfidence(confidence)
}
