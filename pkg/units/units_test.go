package units_test

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
	"spindlewright/pkg/units"
)

func TestParse(t *testing.T) {
	for _, c := range []struct {
		typed, unit       string
		value, resolution float64
		canonical         string
	}{
		{"0.00050", "[in_i]", 0.0127, 0.000254, "mm"}, // 1 in = 25.4 mm: NIST SP 811, B.6
		{"5", "u[in_i]", 0.000127, 0.0000254, "mm"},
		{"0.5", "m[in_i]", 0.0127, 0.00254, "mm"},
		{"1.50", "um", 0.0015, 0.00001, "mm"},
		{"12", "nm", 0.000012, 0.000001, "mm"},
		{"-12.5", "mm", -12.5, 0.1, "mm"},
		{"32.0", "[degF]", 0, 5.0 / 90, "Cel"},
		{"212", "[degF]", 100, 5.0 / 9, "Cel"},
		{"-40", "[degF]", -40, 5.0 / 9, "Cel"},
		{"550", "MOhm", 550e6, 1e6, "Ohm"},
		{"1", "[oz_av]", 28.349523125, 28.349523125, "g"},        // NIST SP 811, B.8
		{"1", "[lbf_av]", 4.4482216152605, 4.4482216152605, "N"}, // NIST SP 811, B.8
		{"90", "min", 1.5, 1.0 / 60, "h"},
		{"50", "%", 0.5, 0.01, "1"},
		{"-0.0", "N", 0, 0.1, "N"},
		{"24000", "{rpm}", 24000, 1, "{rpm}"},
	} {
		q, err := units.Parse(c.typed, c.unit)
		if err != nil {
			t.Errorf("%s %s: %v", c.typed, c.unit, err)
			continue
		}
		// The nearest double of an exact rational: equal, not merely close.
		if q.Value != c.value || math.Signbit(q.Value) != math.Signbit(c.value) || math.Abs(q.Resolution-c.resolution) > 1e-15*c.resolution {
			t.Errorf("%s %s: got %v +- %v, want %v +- %v", c.typed, c.unit, q.Value, q.Resolution, c.value, c.resolution)
		}
		if p := q.Proto(); p.AsTyped != c.typed || p.CanonicalUnit != c.canonical {
			t.Errorf("%s %s: got %v", c.typed, c.unit, p)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, text := range []string{"", "-", ".", "5.", ".5", "NaN", "Inf", "-Inf", "infinity", "1e5", "1E400", "1e-999999999", "0x10", "1_000",
		"12,5", "1,000.0", " 5", "5 ", "5 mm", "+5", "--5", "1/2", "1.2.3", "٣", "½", strings.Repeat("9", 16), "0." + strings.Repeat("0", 21), strings.Repeat("1", 41)} {
		_, err := units.Parse(text, "mm")
		var bad *units.BadNumber
		if !errors.As(err, &bad) || !strings.Contains(err.Error(), "must") {
			t.Errorf("%q: %v, want it refused with what would be right", text, err)
		}
	}
	for code, want := range map[string]string{"inch": "[in_i]", "rpm": "{rpm}", "MOhms": "MOhm", "°C": "Cel", "furlong": "one of mm", "": "one of mm", "µm": "um"} {
		_, err := units.Parse("1", code)
		var unknown *units.UnknownUnit
		if !errors.As(err, &unknown) || !strings.Contains(err.Error(), want) {
			t.Errorf("unit %q: %v, want %s named", code, err, want)
		}
	}
}

// 5 millionths of an inch, the last digit of a good height gauge, survive
// typing, storing, reading back and showing in either system.
func TestFiveMillionthsSurvive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.Int64Range(-20_000_000, 20_000_000).Draw(t, "steps of 0.000005 in")
		millionths := steps * 5
		sign := ""
		if millionths < 0 {
			sign, millionths = "-", -millionths
		}
		typed := fmt.Sprintf("%s%d.%06d", sign, millionths/1_000_000, millionths%1_000_000)
		q, err := units.Parse(typed, "[in_i]")
		if err != nil {
			t.Fatal(err)
		}
		wire, err := proto.Marshal(q.Proto())
		if err != nil {
			t.Fatal(err)
		}
		var back unitsv1.Quantity
		if err := proto.Unmarshal(wire, &back); err != nil {
			t.Fatal(err)
		}
		again, err := units.FromProto(&back)
		if err != nil || again != q || back.Canonical != q.Value || back.AsTyped != typed {
			t.Fatalf("%s came back as %+v (%v)", typed, again, err)
		}
		shown, err := again.In("u[in_i]")
		if want := float64(steps * 5); err != nil || shown != want {
			t.Fatalf("%s in is shown as %v u[in_i], want %v (%v)", typed, shown, want, err)
		}
		// And from the canonical double alone: 15 digits hold it.
		if text := strconv.FormatFloat(back.Canonical/25.4, 'f', 6, 64); text != strings.Replace(typed, "-0.000000", "0.000000", 1) {
			t.Fatalf("%s read back from the canonical double as %s", typed, text)
		}
	})
}

// Every unit converts to every other of its dimension and back.
func TestConversionIsItsOwnInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.SampledFrom(units.Codes()).Draw(t, "from")
		q, err := units.Parse(rapid.StringMatching(`-?[0-9]{1,6}(\.[0-9]{1,6})?`).Draw(t, "typed"), from)
		if err != nil {
			t.Fatal(err)
		}
		for _, to := range units.Codes() {
			d, err := units.DimensionOf(to)
			if err != nil {
				t.Fatal(err)
			}
			v, err := q.In(to)
			if (err == nil) != (d == q.Dimension) {
				t.Fatalf("%s to %s: %v", from, to, err)
			}
			if to == from {
				if typed, _ := strconv.ParseFloat(q.AsTyped, 64); v != typed {
					t.Fatalf("%s %s in its own unit is %v", q.AsTyped, from, v)
				}
			}
			if to == units.Canonical(q.Dimension) && err == nil && v != q.Value {
				t.Fatalf("%s %s: canonical %v, but %v in %s", q.AsTyped, from, q.Value, v, to)
			}
		}
	})
}

func TestTheTableIsWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, code := range units.Codes() {
		if seen[code] {
			t.Errorf("%s stands twice", code)
		}
		seen[code] = true
		q, err := units.Parse("1", code)
		if err != nil || q.Resolution <= 0 || units.Canonical(q.Dimension) == "" {
			t.Errorf("%s: %+v %v", code, q, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"0.00050", "-12.5", "1e9", "NaN", "", "99999999999999999999", "0x1p-2", "1/3"} {
		f.Add(s, "[in_i]")
	}
	f.Add("1", "mm/s")
	f.Fuzz(func(t *testing.T, text, code string) {
		q, err := units.Parse(text, code)
		if err != nil {
			if len(err.Error()) > 400 {
				t.Errorf("a refusal of %d characters", len(err.Error()))
			}
			return
		}
		if math.IsNaN(q.Value) || math.IsInf(q.Value, 0) || !(q.Resolution > 0) || q.AsTyped != text {
			t.Errorf("%q %q became %+v", text, code, q)
		}
	})
}
