// Package lifetime holds the statistics of how often things fail: the share of
// a failure mode, the rate of failures per running hour, and the mean time
// between repair (MTBR), each with its interval.
//
// It owns no data. In go counts (whole numbers) and exposure (spindle-on hours,
// h, though any unit of time does); out come figures with limits.
//
// # Symbols
//
//	x, r   counted events or repairs, 0 <= x <= MaxCount
//	n      trials, x <= n
//	T      exposure, h, MinExposure <= T <= MaxExposure
//	C      confidence of the interval, 0 < C < 1; a = 1 - C is split evenly
//	       between the two tails unless a result says one-sided
//	z      normal quantile at 1 - a/2
//	g(p;k) quantile p of the gamma distribution with shape k and scale 1,
//	       which is half the chi-square quantile with 2k degrees of freedom
//
// # Invariants
//
// Every function checks its arguments once and answers a *RangeError that
// names the argument, its value and what would be right; nothing panics, and
// no result holds NaN. Limits enclose the value. A figure that does not exist
// is absent (a nil pointer), never zero and never infinite: with no repair at
// all there is no MTBR, only a lower limit.
//
// # References
//
//   - Wilson 1927, J. Amer. Statist. Assoc. 22:209-212 (share)
//   - Clopper and Pearson 1934, Biometrika 26:404-413 (share, exact)
//   - Garwood 1936, Biometrika 28:437-442 (rate, exact)
//   - NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1 (MTBR)
package lifetime
