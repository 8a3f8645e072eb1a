package history

import (
	"fmt"
	"time"
)

// Date is a calendar day, counted from 1970-01-01. The zero Date stands for
// "not given"; that day itself cannot be used.
type Date int32

// DateOf gives the Date of a civil day.
func DateOf(year int, month time.Month, day int) Date {
	return Date(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// ParseDate reads YYYY-MM-DD.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || len(s) != len(time.DateOnly) {
		return 0, fmt.Errorf("is %q, must be a day of the calendar as YYYY-MM-DD", s)
	}
	d := Date(t.Unix() / 86400)
	if t.Year() < 1950 || d == 0 {
		return 0, fmt.Errorf("is %q, must be a day since 1950-01-01", s)
	}
	return d, nil
}

// String gives YYYY-MM-DD, or nothing for the zero Date.
func (d Date) String() string {
	if d == 0 {
		return ""
	}
	return time.Unix(int64(d)*86400, 0).UTC().Format(time.DateOnly)
}

// workday is d, or the Monday after when d falls on a weekend: docks are shut.
func (d Date) workday() Date {
	switch time.Unix(int64(d)*86400, 0).UTC().Weekday() {
	case time.Saturday:
		return d + 2
	case time.Sunday:
		return d + 1
	}
	return d
}

// Noon is the middle of the day in a zone: the trade time of a fact known to
// the day. Unlike midnight it exists in every zone on every day.
func (d Date) Noon(zone *time.Location) time.Time {
	y, m, day := time.Unix(int64(d)*86400, 0).UTC().Date()
	return time.Date(y, m, day, 12, 0, 0, 0, zone)
}
