package lifetime

// Interval is a figure with its limits: Low <= Value <= High.
type Interval struct {
	Value, Low, High float64
}

// enclose widens limits that rounding put on the wrong side of the value, by
// the last digit at most.
func enclose(value, low, high float64) Interval {
	return Interval{Value: value, Low: min(low, value), High: max(high, value)}
}
