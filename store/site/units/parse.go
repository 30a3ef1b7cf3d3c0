package units

import (
	"fmt"
	"math/big"
	"strings"
)

// maxNumberLen bounds the digits of a written number, so that exact arithmetic
// on outside input stays cheap.
const maxNumberLen = 64

// Error says why a text is not a value of its dimension; its message lists the
// units that are accepted.
type Error struct {
	Dimension Dimension
	Text      string // what was written, shortened
	Problem   string
}

// Error is the text, what is wrong with it and what is accepted instead.
func (e *Error) Error() string {
	return fmt.Sprintf("%q %s; accepted for %s: %s", e.Text, e.Problem, e.Dimension, acceptedText(e.Dimension))
}

// Parse reads a value such as "1040 ft2", "50 %RH" or "6h" and returns it in
// the dimension's inside unit, correctly rounded from exact arithmetic. The
// space before the unit is optional. Numbers are plain decimals without
// exponent or separators. Errors are of type *[Error].
func Parse(dim Dimension, text string) (float64, error) {
	s := strings.TrimSpace(text)
	number, rest := splitNumber(s)
	name := strings.TrimSpace(rest)
	if number == "" || len(number) > maxNumberLen {
		return 0, parseError(dim, s, numberProblem(number))
	}
	u, ok := findUnit(dim, name)
	if !ok {
		return 0, parseError(dim, s, unitProblem(dim, name))
	}
	n, ok := new(big.Rat).SetString(number)
	if !ok {
		return 0, parseError(dim, s, numberProblem(""))
	}
	if dim == Count && !n.IsInt() {
		return 0, parseError(dim, s, "is not whole")
	}
	return toInside(u, n), nil
}

// Accepted lists the units of a dimension as a property file writes them; ""
// stands for a number without unit.
func Accepted(dim Dimension) []string {
	var out []string
	for _, u := range table[dim].units {
		out = append(out, u.name)
	}
	return out
}

// Inside is the unit in which values of the dimension are held.
func Inside(dim Dimension) string {
	if us := table[dim].units; len(us) > 0 {
		return us[0].name
	}
	return ""
}

// splitNumber cuts the leading plain decimal off s; it is empty when there is
// none. A letter e that follows digits belongs to the unit, so that "1e9" is
// refused for its unit and never expanded.
func splitNumber(s string) (number, rest string) {
	i, digits, dots := 0, 0, 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	}
	for i < len(s) && (isDigit(s[i]) || s[i] == '.') {
		if s[i] == '.' {
			dots++
		} else {
			digits++
		}
		i++
	}
	if digits == 0 || dots > 1 {
		return "", s
	}
	return s[:i], s[i:]
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func findUnit(dim Dimension, name string) (unit, bool) {
	for _, u := range table[dim].units {
		if u.name == name || (u.alias != "" && u.alias == name) {
			return u, true
		}
	}
	return unit{}, false
}

func toInside(u unit, n *big.Rat) float64 {
	r := new(big.Rat).Set(n)
	if u.offset != nil {
		r.Add(r, u.offset)
	}
	f, _ := r.Mul(r, u.factor).Float64()
	return f
}

func numberProblem(number string) string {
	if len(number) > maxNumberLen {
		return "has too many digits"
	}
	return "does not begin with a plain decimal number"
}

// unitProblem words a wrong or missing unit, with a hint where only the
// spelling differs ("%rh", "GPH").
func unitProblem(dim Dimension, name string) string {
	if name == "" {
		return "has no unit"
	}
	for _, u := range table[dim].units {
		if u.name != "" && strings.EqualFold(u.name, name) {
			return fmt.Sprintf("has the unit %q, which is written %q", clip(name), u.name)
		}
	}
	if _, none := findUnit(dim, ""); none {
		return fmt.Sprintf("has the unit %q, which does not belong here", clip(name))
	}
	return fmt.Sprintf("has the unit %q, which is not one of %s", clip(name), dim)
}

func parseError(dim Dimension, text, problem string) *Error {
	return &Error{Dimension: dim, Text: clip(text), Problem: problem}
}

// clip keeps an error message readable whatever was written.
func clip(s string) string {
	const most = 40
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most]) + "…"
}

// acceptedText lists the accepted units in words; durations and numbers without
// unit are shown by example.
func acceptedText(dim Dimension) string {
	switch dim {
	case Duration:
		return "s, m, h, d (30s, 5m, 6h, 7d)"
	case Ratio:
		return "a number without unit, or %"
	case Count:
		return "a whole number without unit"
	}
	return strings.Join(Accepted(dim), ", ")
}
