package units

import (
	"fmt"
	"math/big"
	"strings"

	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
)

const (
	// maxText bounds what is typed: 40 characters, as the contract has it.
	maxText = 40
	// maxWhole and maxFraction bound the digits before and after the point.
	// Nothing in the trade is 10^15 of its unit, and 20 places resolve a
	// nanometre in any of them.
	maxWhole, maxFraction = 15, 20
)

// Quantity is a typed value. The zero Quantity is no value.
type Quantity struct {
	// AsTyped are the digits as typed; Unit is the UCUM code.
	AsTyped, Unit string
	Dimension     Dimension
	// Value in the canonical unit, the double nearest to what was typed.
	Value float64
	// Resolution is the weight of the last typed digit, in the canonical unit.
	Resolution float64
}

// BadNumber refuses digits.
type BadNumber struct{ Text, Problem string }

func (e *BadNumber) Error() string {
	text := e.Text
	if len(text) > maxText {
		text = text[:maxText] + "..."
	}
	return fmt.Sprintf("is %q, %s", text, e.Problem)
}

// Parse reads digits and a unit. The error is a *BadNumber or an *UnknownUnit.
func Parse(asTyped, code string) (Quantity, error) {
	typed, places, err := digits(asTyped)
	if err != nil {
		return Quantity{}, err
	}
	u, err := find(code)
	if err != nil {
		return Quantity{}, err
	}
	factor := rational(u.factor)
	value := new(big.Rat).Add(typed, rational(u.offset))
	value.Mul(value, factor)
	step := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	step.Mul(step, factor)
	q := Quantity{AsTyped: asTyped, Unit: code, Dimension: u.dimension}
	// Whether the double is exact does not matter: it is the nearest one.
	q.Value, _ = value.Float64()
	q.Resolution, _ = step.Float64()
	if q.Value == 0 {
		q.Value = 0 // "-0.0" is zero
	}
	return q, nil
}

// In gives the value in another unit of the same dimension, computed from the
// typed digits, so that no rounding adds up.
func (q Quantity) In(code string) (float64, error) {
	to, err := find(code)
	if err != nil {
		return 0, err
	}
	if to.dimension != q.Dimension {
		return 0, fmt.Errorf("%s measures %s, not %s", code, to.dimension, q.Dimension)
	}
	typed, _, err := digits(q.AsTyped)
	if err != nil {
		return 0, err
	}
	from, err := find(q.Unit)
	if err != nil {
		return 0, err
	}
	typed.Add(typed, rational(from.offset))
	typed.Mul(typed, rational(from.factor))
	typed.Quo(typed, rational(to.factor))
	typed.Sub(typed, rational(to.offset))
	v, _ := typed.Float64()
	return v, nil
}

// digits reads a plain decimal: a sign, digits, at most one point.
func digits(text string) (value *big.Rat, places int, err error) {
	bad := func(format string, args ...any) (*big.Rat, int, error) {
		return nil, 0, &BadNumber{text, fmt.Sprintf(format, args...)}
	}
	body := strings.TrimPrefix(text, "-")
	whole, fraction, point := strings.Cut(body, ".")
	switch {
	case len(text) > maxText:
		return bad("must have at most %d characters", maxText)
	case body == "":
		return bad("must be a plain decimal such as 0.00050 or -12.5")
	case strings.Contains(body, ","):
		return bad("must have a point before its decimals, and nothing between thousands: 12.5, 4100")
	case strings.Trim(whole+fraction, "0123456789") != "":
		return bad("must be a plain decimal such as 0.00050 or -12.5, without exponent, blanks or unit")
	case whole == "" || point && fraction == "":
		return bad("must have digits on both sides of the point: 0.5, 5.0 or 5")
	case len(whole) > maxWhole:
		return bad("must have at most %d digits before the point; a larger unit may fit", maxWhole)
	case len(fraction) > maxFraction:
		return bad("must have at most %d digits behind the point", maxFraction)
	}
	value, ok := new(big.Rat).SetString(text)
	if !ok {
		return bad("must be a plain decimal such as 0.00050 or -12.5")
	}
	return value, len(fraction), nil
}

// FromProto reads what a caller sent; what the server derives is ignored.
func FromProto(p *unitsv1.Quantity) (Quantity, error) { return Parse(p.GetAsTyped(), p.GetUnit()) }

// Proto is the quantity with everything derived.
func (q Quantity) Proto() *unitsv1.Quantity {
	return &unitsv1.Quantity{AsTyped: q.AsTyped, Unit: q.Unit, Canonical: q.Value,
		CanonicalUnit: Canonical(q.Dimension), Resolution: q.Resolution}
}
