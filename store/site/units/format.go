package units

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Format shows a value (inside unit) to a person in the given system, rounded
// to what can be meant: three significant digits, temperatures to a tenth,
// whole numbers never rounded away. Durations read "1 h 30 min". An unknown
// system is shown as SI.
func Format(dim Dimension, value float64, sys System) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return "not known"
	}
	if dim == Duration {
		return formatDuration(value)
	}
	u := preferred(dim, value, sys)
	return join(round(fromInsideFloat(u, value), table[dim]), u.symbol)
}

// FormatIn shows a value (inside unit) in one named unit, rounded like
// [Format]. It is an error of type *[Error] when the dimension has no such unit.
func FormatIn(dim Dimension, value float64, name string) (string, error) {
	v, err := Convert(dim, value, name)
	if err != nil {
		return "", err
	}
	u, _ := findUnit(dim, name)
	return join(round(v, table[dim]), u.symbol), nil
}

// Convert takes a value from the inside unit to the named one.
func Convert(dim Dimension, value float64, name string) (float64, error) {
	u, ok := findUnit(dim, name)
	if !ok {
		return 0, parseError(dim, name, unitProblem(dim, name))
	}
	return fromInsideFloat(u, value), nil
}

// In gives a value (inside unit) as number and symbol in the system's preferred
// unit for that magnitude, unrounded: for chart axes and JSON.
func In(dim Dimension, value float64, sys System) (number float64, symbol string) {
	u := preferred(dim, value, sys)
	return fromInsideFloat(u, value), u.symbol
}

// Preferred is the name of the unit in which the system shows a value of that
// magnitude (inside unit): to put several values of one figure in one unit, with
// [Convert].
func Preferred(dim Dimension, value float64, sys System) string {
	return preferred(dim, value, sys).name
}

// FormatExact writes a finite value (inside unit) so that [Parse] returns the
// same float64: in the system's own units where that is short, else in
// whichever accepted unit is shortest. It is the form in which property files
// are stored.
func FormatExact(dim Dimension, value float64, sys System) string {
	const short = 7 // digits; beyond that the value was surely written in another unit
	best := ""
	for _, u := range exactOrder(dim, value, sys) {
		text, digits := exactIn(dim, u, value)
		if digits == 0 {
			continue
		}
		if digits <= short {
			return text
		}
		if best == "" || len(text) < len(best) {
			best = text
		}
	}
	return best
}

// exactOrder lists units by preference: the one a person would be shown, the
// other shown ones of the system, those of the other system, then the rest; the
// inside unit is always among them, so that an exact text exists.
func exactOrder(dim Dimension, value float64, sys System) []unit {
	s := table[dim]
	order := []unit{preferred(dim, value, sys)}
	own, other, otherSys := s.si, s.us, US
	if sys == US {
		own, other, otherSys = s.us, s.si, SI
	}
	order = append(order, shownUnits(dim, own)...)
	order = append(order, preferred(dim, value, otherSys))
	order = append(order, shownUnits(dim, other)...)
	return append(order, s.units...)
}

func shownUnits(dim Dimension, list []shown) []unit {
	out := make([]unit, 0, len(list))
	for _, sh := range list {
		u, _ := findUnit(dim, sh.unit)
		out = append(out, u)
	}
	return out
}

// exactIn is a decimal in unit u that parses back to value: the shortest that
// names the nearest float64, which is what was written if u was the unit, else
// the shortest that works. digits is 0 when no decimal of 17 digits does.
func exactIn(dim Dimension, u unit, value float64) (text string, digits int) {
	f, _ := fromInside(u, value).Float64()
	for precision := -1; precision < 17; precision++ {
		sci := strconv.FormatFloat(f, 'e', precision, 64)
		text = plain(sci)
		n, ok := new(big.Rat).SetString(text)
		if !ok || len(text) > maxNumberLen || toInside(u, n) != value {
			continue
		}
		if dim == Duration {
			return text + u.name, countDigits(sci)
		}
		return join(text, u.name), countDigits(sci)
	}
	return "", 0
}

// countDigits of the mantissa of a number in scientific notation.
func countDigits(sci string) int {
	mantissa, _, _ := strings.Cut(sci, "e")
	return max(1, len(strings.Trim(mantissa, "-"))-strings.Count(mantissa, "."))
}

// plain rewrites scientific notation as a plain decimal.
func plain(sci string) string {
	mantissa, exp, _ := strings.Cut(sci, "e")
	e, _ := strconv.Atoi(exp)
	sign := ""
	if strings.HasPrefix(mantissa, "-") {
		sign, mantissa = "-", mantissa[1:]
	}
	whole, frac, _ := strings.Cut(mantissa, ".")
	digits := whole + frac
	switch {
	case strings.Trim(digits, "0") == "":
		return "0"
	case e < 0:
		digits = strings.Repeat("0", -e) + digits
		e = 0
	case len(digits) < e+1:
		digits += strings.Repeat("0", e+1-len(digits))
	}
	whole, frac = digits[:e+1], strings.TrimRight(digits[e+1:], "0")
	if frac == "" {
		return sign + whole
	}
	return sign + whole + "." + frac
}

func fromInside(u unit, value float64) *big.Rat {
	r := new(big.Rat)
	r.SetFloat64(value)
	r.Quo(r, u.factor)
	if u.offset != nil {
		r.Sub(r, u.offset)
	}
	return r
}

func fromInsideFloat(u unit, value float64) float64 {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return value
	}
	f, _ := fromInside(u, value).Float64()
	return f
}

func preferred(dim Dimension, value float64, sys System) unit {
	list := table[dim].si
	if sys == US {
		list = table[dim].us
	}
	for _, sh := range list {
		if sh.below == 0 || math.Abs(value) < sh.below {
			u, _ := findUnit(dim, sh.unit)
			return u
		}
	}
	return unit{factor: one}
}

// round keeps the significant digits of the spec, at most its decimals, and
// trims trailing zeros.
func round(v float64, s spec) string {
	decimals := s.decimals
	if v != 0 {
		decimals = s.digits - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	}
	decimals = max(0, min(decimals, s.decimals))
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if text == "-0" {
		return "0"
	}
	return text
}

func join(number, symbol string) string {
	if symbol == "" {
		return number
	}
	return number + " " + symbol
}

// formatDuration shows two units at most: "12.5 s", "1 min 30 s", "7 d".
func formatDuration(seconds float64) string {
	sign := ""
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	if seconds < 59.95 {
		return sign + round(seconds, table[Duration]) + " s"
	}
	steps := []struct {
		size float64
		name string
	}{{86400, "d"}, {3600, "h"}, {60, "min"}, {1, "s"}}
	for i, st := range steps[:3] {
		next := steps[i+1]
		total := math.Round(seconds / next.size) // whole smaller units
		per := st.size / next.size
		big := math.Floor(total / per)
		if big < 1 {
			continue
		}
		text := fmt.Sprintf("%s%.0f %s", sign, big, st.name)
		if rest := total - big*per; rest > 0 {
			text += fmt.Sprintf(" %.0f %s", rest, next.name)
		}
		return text
	}
	return sign + round(seconds, table[Duration]) + " s"
}
