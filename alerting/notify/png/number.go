package png

import "strconv"

// formatFloat writes a number of the axis; never as "-0".
func formatFloat(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if f, err := strconv.ParseFloat(s, 64); err == nil && f == 0 {
		return strconv.FormatFloat(0, 'f', digits, 64)
	}
	return s
}
