package lifetime

import (
	"fmt"
	"math"
)

// The domain of the package. Within it every limit is accurate to about nine
// digits and nothing overflows.
const (
	// MaxCount is the largest count of events or trials.
	MaxCount = 1_000_000_000_000
	// MinExposure and MaxExposure bound the exposure, in any unit of time.
	MinExposure = 1e-200
	MaxExposure = 1e200
)

// RangeError refuses an argument.
type RangeError struct {
	Argument string
	// Value as it was given.
	Value string
	// Want says what would be right.
	Want string
}

func (e *RangeError) Error() string {
	return fmt.Sprintf("%s is %s, must be %s", e.Argument, e.Value, e.Want)
}

// checkCount refuses a count outside [least, most].
func checkCount(name string, v, least, most int64) error {
	if v < least || v > most {
		return &RangeError{name, fmt.Sprint(v), fmt.Sprintf("between %d and %d", least, most)}
	}
	return nil
}

// checkExposure refuses NaN, infinities, zero, negative and absurd exposures.
func checkExposure(v float64) error {
	if v >= MinExposure && v <= MaxExposure {
		return nil
	}
	return &RangeError{"exposure", fmt.Sprint(v), fmt.Sprintf("between %g and %g", MinExposure, MaxExposure)}
}

// checkConfidence refuses what is not strictly between 0 and 1, NaN included.
func checkConfidence(v float64) error {
	if v > 0 && v < 1 && !math.IsNaN(v) {
		return nil
	}
	return &RangeError{"confidence", fmt.Sprint(v), "above 0 and below 1, for example 0.95"}
}
