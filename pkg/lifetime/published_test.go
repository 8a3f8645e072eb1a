package lifetime

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"
)

// The files in testdata carry the source of each row. 1e-9 is the relative
// tolerance the values were compared with in two independent programs.
const published = 1e-9

func TestMTBRAgainstPublishedValues(t *testing.T) {
	type row struct {
		Repairs    int64
		Exposure   float64 `json:"exposure_h"`
		Confidence float64
		Value      *float64
		Low        float64
		High       *float64
		OneSided   bool `json:"one_sided"`
	}
	for _, c := range load[row](t, "mtbr.json") {
		t.Run(fmt.Sprintf("r=%d,T=%g,C=%g", c.Repairs, c.Exposure, c.Confidence), func(t *testing.T) {
			got, err := MTBR(c.Repairs, c.Exposure, c.Confidence)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "low", got.Low, c.Low, published)
			nearOrAbsent(t, "value", got.Value, c.Value)
			nearOrAbsent(t, "high", got.High, c.High)
			if got.OneSided != c.OneSided {
				t.Errorf("one-sided is %v", got.OneSided)
			}
		})
	}
}

func TestPoissonRateAgainstPublishedValues(t *testing.T) {
	type row struct {
		Count                                  int64
		Exposure, Confidence, Value, Low, High float64
	}
	for _, c := range load[row](t, "rate.json") {
		t.Run(fmt.Sprintf("x=%d,T=%g", c.Count, c.Exposure), func(t *testing.T) {
			got, err := PoissonRate(c.Count, c.Exposure, c.Confidence)
			if err != nil {
				t.Fatal(err)
			}
			nearInterval(t, got, Interval{c.Value, c.Low, c.High}, published)
		})
	}
}

func TestSharesAgainstPublishedValues(t *testing.T) {
	type row struct {
		Count, N          int64
		Confidence, Value float64
		Wilson, Exact     [2]float64
	}
	for _, c := range load[row](t, "share.json") {
		t.Run(fmt.Sprintf("%d of %d", c.Count, c.N), func(t *testing.T) {
			wilson, err := WilsonShare(c.Count, c.N, c.Confidence)
			if err != nil {
				t.Fatal(err)
			}
			nearInterval(t, wilson, Interval{c.Value, c.Wilson[0], c.Wilson[1]}, published)
			exact, err := ClopperPearson(c.Count, c.N, c.Confidence)
			if err != nil {
				t.Fatal(err)
			}
			nearInterval(t, exact, Interval{c.Value, c.Exact[0], c.Exact[1]}, published)
		})
	}
}

func load[T any](t *testing.T, name string) []T {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var rows []T
	if err := json.Unmarshal(data, &rows); err != nil {
		t.Fatal(err)
	}
	if len(rows) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return rows
}

func nearInterval(t *testing.T, got, want Interval, tolerance float64) {
	t.Helper()
	near(t, "value", got.Value, want.Value, tolerance)
	near(t, "low", got.Low, want.Low, tolerance)
	near(t, "high", got.High, want.High, tolerance)
}

func nearOrAbsent(t *testing.T, what string, got, want *float64) {
	t.Helper()
	if (got == nil) != (want == nil) {
		t.Errorf("%s: present is %v, want %v", what, got != nil, want != nil)
	} else if got != nil {
		near(t, what, *got, *want, published)
	}
}

// near compares relatively, and absolutely around zero.
func near(t interface {
	Helper()
	Errorf(string, ...any)
}, what string, got, want, tolerance float64,
) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*max(math.Abs(want), 1e-12)) {
		t.Errorf("%s is %.15g, want %.15g", what, got, want)
	}
}
