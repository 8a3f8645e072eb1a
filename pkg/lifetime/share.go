package lifetime

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// WilsonShare gives the share p = count/n with Wilson's score limits,
//
//	(p + z²/2n ± z √(p(1-p)/n + z²/4n²)) / (1 + z²/n)
//
// Domain: 1 <= n <= MaxCount, 0 <= count <= n, 0 < confidence < 1. The lower
// limit is exactly 0 at count = 0, the upper exactly 1 at count = n, and
// limits of count and n - count mirror each other. Coverage is close to the
// confidence on average but may lie a little below it for some shares; where
// it must not, use ClopperPearson.
//
// Source: Wilson 1927; Newcombe 1998, Statist. Med. 17:857-872, method 3.
func WilsonShare(count, n int64, confidence float64) (Interval, error) {
	if err := checkShare(count, n, confidence); err != nil {
		return Interval{}, err
	}
	p := float64(count) / float64(n)
	low := 1 - wilsonUpper(n-count, n, confidence)
	if 2*count <= n {
		low = wilsonLower(count, n, confidence)
	}
	high := wilsonUpper(count, n, confidence)
	if 2*count > n {
		high = 1 - wilsonLower(n-count, n, confidence)
	}
	return enclose(p, low, high), nil
}

// wilsonUpper is the larger root of (n + z²) q² - (2x + z²) q + x²/n = 0, the
// quadratic behind Wilson's limits.
func wilsonUpper(count, n int64, confidence float64) float64 {
	x, m := float64(count), float64(n)
	z2 := zSquared(confidence)
	root := math.Sqrt(z2) * math.Sqrt(z2+4*x*(m-x)/m)
	return (2*x + z2 + root) / (2 * (m + z2))
}

// wilsonLower is the smaller root, from the product of the roots: their
// difference would cancel when the count is small against z².
func wilsonLower(count, n int64, confidence float64) float64 {
	if count == 0 {
		return 0
	}
	x, m := float64(count), float64(n)
	return x / m * x / (m + zSquared(confidence)) / wilsonUpper(count, n, confidence)
}

// zSquared is the square of the normal quantile at (1 + confidence)/2.
func zSquared(confidence float64) float64 {
	e := math.Erfinv(confidence)
	return 2 * e * e
}

// ClopperPearson gives the share count/n with limits that hold at least the
// stated confidence for every true share: the shares at which seeing count or
// more, count or fewer, has probability a/2,
//
//	low = B(a/2; x, n-x+1),  high = B(1-a/2; x+1, n-x)
//
// with B(p; u, v) the quantile of the beta distribution. Domain as WilsonShare.
//
// Source: Clopper and Pearson 1934; Newcombe 1998, method 5.
func ClopperPearson(count, n int64, confidence float64) (Interval, error) {
	if err := checkShare(count, n, confidence); err != nil {
		return Interval{}, err
	}
	tail := (1 - confidence) / 2
	low := clopperLower(count, n, tail)
	high := 1 - clopperLower(n-count, n, tail)
	return enclose(float64(count)/float64(n), low, high), nil
}

// clopperLower has a closed form at the ends, which the general inverse would
// reach only to fewer digits.
func clopperLower(count, n int64, tail float64) float64 {
	x, m := float64(count), float64(n)
	switch count {
	case 0:
		return 0
	case 1:
		return -math.Expm1(math.Log1p(-tail) / m)
	case n:
		return math.Pow(tail, 1/m)
	}
	return mathext.InvRegIncBeta(x, m-x+1, tail)
}

func checkShare(count, n int64, confidence float64) error {
	if err := checkCount("n", n, 1, MaxCount); err != nil {
		return err
	}
	if err := checkCount("count", count, 0, n); err != nil {
		return err
	}
	return checkConfidence(confidence)
}
