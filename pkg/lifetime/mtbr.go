package lifetime

import "math"

// MTBRResult is a mean time between repair with its limits. With no repair
// Value and High do not exist and Low is a one-sided limit at the full
// confidence.
type MTBRResult struct {
	Value    *float64
	Low      float64
	High     *float64
	OneSided bool
}

// MTBR gives exposure/repairs, in the unit of the exposure, with chi-square
// limits for observation that ended at a time and not at a repair,
//
//	low  = 2T / chi²(1-a/2; 2r+2) = T / g(1-a/2; r+1)
//	high = 2T / chi²(a/2; 2r)     = T / g(a/2; r)
//
// and for r = 0 the one-sided low = 2T / chi²(1-a; 2) = T / -ln a alone.
//
// It is the current rate of whatever mix of ages was watched, turned upside
// down; it is the mean life only if the rate does not change with age. All
// hours of all spindles belong in the exposure, those still running included.
//
// Domain: 0 <= repairs <= MaxCount, MinExposure <= exposure <= MaxExposure,
// 0 < confidence < 1. For r > 0 value and limits are the reciprocals of those
// of PoissonRate.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1.
func MTBR(repairs int64, exposure, confidence float64) (MTBRResult, error) {
	if err := checkRate("repairs", repairs, exposure, confidence); err != nil {
		return MTBRResult{}, err
	}
	if repairs == 0 {
		return MTBRResult{Low: exposure / -math.Log1p(-confidence), OneSided: true}, nil
	}
	low, high := poissonLimits(repairs, (1-confidence)/2)
	i := enclose(exposure/float64(repairs), exposure/high, exposure/low)
	return MTBRResult{Value: &i.Value, Low: i.Low, High: &i.High}, nil
}
