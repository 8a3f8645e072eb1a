package units

import (
	"fmt"
	"math/big"
	"strings"

	"spindlewright/pkg/vocabulary"
)

// Dimension is what a unit measures.
type Dimension string

// The dimensions of the trade.
const (
	Length      Dimension = "length"
	Force       Dimension = "force"
	Temperature Dimension = "temperature"
	// TemperatureDifference has no zero point: a rise of 1 K is a rise of 1 Cel.
	TemperatureDifference Dimension = "temperature difference"
	Time                  Dimension = "time"
	Resistance            Dimension = "resistance"
	Mass                  Dimension = "mass"
	Speed                 Dimension = "speed"
	Voltage               Dimension = "voltage"
	Velocity              Dimension = "velocity"
	Torque                Dimension = "torque"
	Unbalance             Dimension = "unbalance"
	Pressure              Dimension = "pressure"
	Ratio                 Dimension = "ratio"
)

// unit is one code: canonical value = (typed + offset) * factor.
type unit struct {
	code           string
	dimension      Dimension
	factor, offset string // rationals
}

// units in order of dimension; the first of a dimension is its canonical one.
// Factors are exact: 1 in = 25.4 mm, 1 lb = 453.59237 g and hence 1 oz = that/16,
// 1 lbf = 0.45359237 kg * 9.80665 m/s2 (NIST SP 811, appendix B.8 and footnotes).
var units = []unit{
	{"mm", Length, "1", "0"},
	{"um", Length, "1/1000", "0"},
	{"nm", Length, "1/1000000", "0"},
	{"m", Length, "1000", "0"},
	{"[in_i]", Length, "254/10", "0"},
	{"m[in_i]", Length, "254/10000", "0"},
	{"u[in_i]", Length, "254/10000000", "0"},
	{"N", Force, "1", "0"},
	{"kN", Force, "1000", "0"},
	{"[lbf_av]", Force, "44482216152605/10000000000000", "0"},
	{"Cel", Temperature, "1", "0"},
	{"[degF]", Temperature, "5/9", "-32"},
	{"K", TemperatureDifference, "1", "0"},
	{"h", Time, "1", "0"},
	{"min", Time, "1/60", "0"},
	{"s", Time, "1/3600", "0"},
	{"Ohm", Resistance, "1", "0"},
	{"kOhm", Resistance, "1000", "0"},
	{"MOhm", Resistance, "1000000", "0"},
	{"GOhm", Resistance, "1000000000", "0"},
	{"g", Mass, "1", "0"},
	{"mg", Mass, "1/1000", "0"},
	{"kg", Mass, "1000", "0"},
	{"[oz_av]", Mass, "45359237/1600000", "0"},
	{"{rpm}", Speed, "1", "0"},
	{"V", Voltage, "1", "0"},
	{"kV", Voltage, "1000", "0"},
	{"mm/s", Velocity, "1", "0"},
	{"[in_i]/s", Velocity, "254/10", "0"},
	{"N.m", Torque, "1", "0"},
	{"g.mm", Unbalance, "1", "0"},
	{"bar", Pressure, "1", "0"},
	{"1", Ratio, "1", "0"},
	{"%", Ratio, "1/100", "0"},
}

// Codes lists every unit that is understood.
func Codes() []string {
	out := make([]string, len(units))
	for i, u := range units {
		out[i] = u.code
	}
	return out
}

// DimensionOf tells what a unit measures.
func DimensionOf(code string) (Dimension, error) {
	u, err := find(code)
	if err != nil {
		return "", err
	}
	return u.dimension, nil
}

// Canonical is the unit in which values of a dimension are kept.
func Canonical(d Dimension) string {
	for _, u := range units {
		if u.dimension == d {
			return u.code
		}
	}
	return ""
}

func find(code string) (unit, error) {
	for _, u := range units {
		if u.code == code {
			return u, nil
		}
	}
	return unit{}, &UnknownUnit{Code: code, Nearest: near(code)}
}

// said are spellings that people use for a code.
var said = map[string]string{
	"in": "[in_i]", "inch": "[in_i]", "inches": "[in_i]", `"`: "[in_i]", "mil": "m[in_i]", "thou": "m[in_i]", "microinch": "u[in_i]", "uin": "u[in_i]",
	"µm": "um", "μm": "um", "micron": "um", "c": "Cel", "°c": "Cel", "degc": "Cel", "f": "[degF]", "°f": "[degF]", "degf": "[degF]",
	"rpm": "{rpm}", "r/min": "{rpm}", "1/min": "{rpm}", "ω": "Ohm", "ohms": "Ohm", "mω": "MOhm", "gω": "GOhm", "kω": "kOhm",
	"hr": "h", "hour": "h", "hours": "h", "sec": "s", "minute": "min", "minutes": "min", "lbf": "[lbf_av]", "oz": "[oz_av]", "nm": "nm",
	"gmm": "g.mm", "percent": "%", "kgs": "kg", "gram": "g", "grams": "g", "newton": "N", "volt": "V", "in/s": "[in_i]/s", "ips": "[in_i]/s",
}

func near(code string) []string {
	if c, ok := said[strings.ToLower(strings.TrimSpace(code))]; ok {
		return []string{c}
	}
	return vocabulary.Nearest(code, Codes())
}

// UnknownUnit refuses a unit.
type UnknownUnit struct {
	Code    string
	Nearest []string
}

func (e *UnknownUnit) Error() string {
	code := e.Code
	if len(code) > 40 {
		code = code[:40] + "..."
	}
	if len(e.Nearest) == 0 {
		return fmt.Sprintf("is %q, which is no unit known here; give the UCUM code, one of %s", code, strings.Join(Codes(), ", "))
	}
	return fmt.Sprintf("is %q, which is no unit known here; the nearest UCUM code is %s", code, strings.Join(e.Nearest, " or "))
}

// rational reads a constant of the table above.
func rational(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return new(big.Rat) // the table's test keeps this from happening
	}
	return r
}
