package reliability

import (
	"spindlewright/pkg/lifetime"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// indicativeBelow so many failures an estimate is marked.
const indicativeBelow = 5

const indicative = "indicative: fewer than 5 failures"

// estimator makes figures with their limits, all of one confidence.
type estimator struct {
	confidence float64
	limits     *limits
}

// share is count of n with Wilson limits.
func (e *estimator) share(count, n int64) *reliabilityv1.Estimate {
	if n == 0 {
		return absent("no failure to take a share of")
	}
	i, err := lifetime.WilsonShare(count, n, e.confidence)
	if err != nil {
		return absent(err.Error())
	}
	return estimate(i.Value, i.Low, i.High, marked(n))
}

// rate is count per 10,000 running hours with exact Poisson limits.
func (e *estimator) rate(count int64, hours float64) *reliabilityv1.Estimate {
	if hours <= 0 {
		return absent("no running hours observed")
	}
	i, err := e.limits.of(count, e.confidence)
	if err != nil {
		return absent(err.Error())
	}
	units := hours / 10_000
	return estimate(i.Value/units, i.Low/units, i.High/units, marked(count))
}

// mtbr is hours per repair with chi-square limits, which are those of the
// Poisson rate turned over.
func (e *estimator) mtbr(repairs int64, hours float64) *reliabilityv1.Estimate {
	if hours <= 0 {
		return absent("no running hours observed")
	}
	if repairs == 0 {
		m, err := lifetime.MTBR(0, hours, e.confidence)
		if err != nil {
			return absent(err.Error())
		}
		return &reliabilityv1.Estimate{Low: &m.Low, Remark: "no repair: a lower limit only, one-sided"}
	}
	i, err := e.limits.of(repairs, e.confidence)
	if err != nil {
		return absent(err.Error())
	}
	return estimate(hours/i.Value, hours/i.High, hours/i.Low, marked(repairs))
}

func estimate(value, low, high float64, remark string) *reliabilityv1.Estimate {
	return &reliabilityv1.Estimate{Value: &value, Low: &low, High: &high, Remark: remark}
}

func absent(remark string) *reliabilityv1.Estimate { return &reliabilityv1.Estimate{Remark: remark} }

func marked(n int64) string {
	if n < indicativeBelow {
		return indicative
	}
	return ""
}
