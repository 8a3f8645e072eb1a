package reliability

import (
	"spindlewright/pkg/lifetime"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// indicativeBelow so many failures an estimate is marked.
const indicativeBelow = 5

const indicative = "indicative: fewer than 5 failures"

// share is count of n with Wilson limits.
func share(count, n int64, confidence float64) *reliabilityv1.Estimate {
	if n == 0 {
		return absent("no failure to take a share of")
	}
	i, err := lifetime.WilsonShare(count, n, confidence)
	if err != nil {
		return absent(err.Error())
	}
	return between(i, marked(n))
}

// rate is count per 10,000 running hours with exact Poisson limits.
func rate(count int64, hours, confidence float64) *reliabilityv1.Estimate {
	if hours <= 0 {
		return absent("no running hours observed")
	}
	i, err := lifetime.PoissonRate(count, hours/10_000, confidence)
	if err != nil {
		return absent(err.Error())
	}
	return between(i, marked(count))
}

// mtbr is hours per repair with chi-square limits.
func mtbr(repairs int64, hours, confidence float64) *reliabilityv1.Estimate {
	if hours <= 0 {
		return absent("no running hours observed")
	}
	m, err := lifetime.MTBR(repairs, hours, confidence)
	if err != nil {
		return absent(err.Error())
	}
	out := &reliabilityv1.Estimate{Value: m.Value, Low: &m.Low, High: m.High, Remark: marked(repairs)}
	if m.OneSided {
		out.Remark = "no repair: a lower limit only, one-sided"
	}
	return out
}

func between(i lifetime.Interval, remark string) *reliabilityv1.Estimate {
	return &reliabilityv1.Estimate{Value: &i.Value, Low: &i.Low, High: &i.High, Remark: remark}
}

func absent(remark string) *reliabilityv1.Estimate { return &reliabilityv1.Estimate{Remark: remark} }

func marked(n int64) string {
	if n < indicativeBelow {
		return indicative
	}
	return ""
}
