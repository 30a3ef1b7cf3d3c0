package evidence

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"
)

const (
	microsPerSecond = 1_000_000
	microsPerMinute = 60 * microsPerSecond
	microsPerHour   = 60 * microsPerMinute
)

// appendOffset writes a time since the start of the day: 07:05:13, with as many
// decimals as it takes.
func appendOffset(b []byte, µs int64) []byte {
	h := µs / microsPerHour
	b = append(b, byte('0'+h/10%10), byte('0'+h%10), ':')
	m := µs / microsPerMinute % 60
	b = append(b, byte('0'+m/10), byte('0'+m%10), ':')
	s := µs / microsPerSecond % 60
	b = append(b, byte('0'+s/10), byte('0'+s%10))
	return appendMicros(b, µs%microsPerSecond)
}

// appendMicros writes a fraction of a second without trailing zeros.
func appendMicros(b []byte, µs int64) []byte {
	if µs == 0 {
		return b
	}
	b = append(b, '.')
	for unit := int64(100_000); µs > 0; unit /= 10 {
		b = append(b, byte('0'+µs/unit))
		µs %= unit
	}
	return b
}

var errNumber = errors.New("not a number as it is written here")

// parseOffset reads what appendOffset writes.
func parseOffset(s []byte) (µs int64, err error) {
	if len(s) < 8 || s[2] != ':' || s[5] != ':' {
		return 0, errNumber
	}
	for _, i := range [6]int{0, 1, 3, 4, 6, 7} {
		if s[i] < '0' || s[i] > '9' {
			return 0, errNumber
		}
	}
	two := func(i int) int64 { return int64(s[i]-'0')*10 + int64(s[i+1]-'0') }
	h, m, sec := two(0), two(3), two(6)
	if m > 59 || sec > 59 {
		return 0, errNumber
	}
	fraction, err := parseMicros(s[8:])
	return h*microsPerHour + m*microsPerMinute + sec*microsPerSecond + fraction, err
}

// parseMicros reads ".25" as 250,000 and nothing as 0.
func parseMicros(s []byte) (int64, error) {
	if len(s) == 0 {
		return 0, nil
	}
	if s[0] != '.' || len(s) < 2 || len(s) > 7 {
		return 0, errNumber
	}
	var n int64
	for i := 1; i < 7; i++ {
		n *= 10
		if i < len(s) {
			if s[i] < '0' || s[i] > '9' {
				return 0, errNumber
			}
			n += int64(s[i] - '0')
		}
	}
	return n, nil
}

// appendDelay writes the seconds from a reading's time to its receipt, always
// with a sign.
func appendDelay(b []byte, µs int64) []byte {
	sign := byte('+')
	if µs < 0 {
		sign, µs = '-', -µs
	}
	b = append(b, sign)
	b = strconv.AppendInt(b, µs/microsPerSecond, 10)
	return appendMicros(b, µs%microsPerSecond)
}

// maxDelay bounds what is read as a delay: 250 years.
const maxDelay = 250 * 366 * 86400

func parseDelay(s []byte) (µs int64, err error) {
	if len(s) < 2 || s[0] != '+' && s[0] != '-' {
		return 0, errNumber
	}
	var seconds int64
	i := 1
	for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
		if seconds = seconds*10 + int64(s[i]-'0'); seconds > maxDelay {
			return 0, errNumber
		}
	}
	if i == 1 {
		return 0, errNumber
	}
	fraction, err := parseMicros(s[i:])
	µs = seconds*microsPerSecond + fraction
	if s[0] == '-' {
		µs = -µs
	}
	return µs, err
}

var powersOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// decimals finds the least s ≤ most with v = n / 10^s exactly, n of at most 15
// digits. A float64 tells 15 decimal digits apart, so n and s are then also the
// shortest decimal that stands for v.
func decimals(v float64, most int) (n int64, s int, ok bool) {
	if v == 0 && math.Signbit(v) {
		return 0, 0, false
	}
	for s = 0; s <= most; s++ {
		scaled := math.Round(v * powersOfTen[s])
		if math.Abs(scaled) >= 1e15 {
			return 0, 0, false
		}
		if scaled/powersOfTen[s] == v {
			return int64(scaled), s, true
		}
	}
	return 0, 0, false
}

// appendValue writes the shortest decimal that stands for v.
func appendValue(b []byte, v float64) []byte {
	n, s, ok := decimals(v, 4)
	if !ok {
		if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e15) {
			return strconv.AppendFloat(b, v, 'e', -1, 64)
		}
		return strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	if s == 0 {
		return strconv.AppendInt(b, n, 10)
	}
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	unit := int64(powersOfTen[s])
	b = append(strconv.AppendInt(b, n/unit, 10), '.')
	for rest := n % unit; unit > 1; {
		unit /= 10
		b = append(b, byte('0'+rest/unit))
		rest %= unit
	}
	return b
}

// parseValue reads a decimal. Up to 15 digits both parts of the quotient are
// exact, so that the quotient is the nearest float64, as strconv would find.
func parseValue(s []byte) (float64, error) {
	var n int64
	digits, point := 0, -1
	for i, c := range s {
		switch {
		case c >= '0' && c <= '9' && digits < 15:
			n = n*10 + int64(c-'0')
			digits++
		case c == '.' && point < 0 && digits > 0:
			point = digits
		case c == '-' && i == 0:
		default:
			return parseAnyValue(s)
		}
	}
	if digits == 0 || point == digits || s[0] == '-' && n == 0 {
		return parseAnyValue(s)
	}
	v := float64(n)
	if point >= 0 {
		v /= powersOfTen[digits-point]
	}
	if s[0] == '-' {
		v = -v
	}
	return v, nil
}

func parseAnyValue(s []byte) (float64, error) {
	v, err := strconv.ParseFloat(string(s), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q: %w", clip(string(s)), errNumber)
	}
	return v, nil
}

// appendInstant writes a time in UTC with as many decimals as it takes, "-" for
// none.
func appendInstant(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return append(b, '-')
	}
	return t.UTC().AppendFormat(b, time.RFC3339Nano)
}

func parseInstant(s string) (time.Time, error) {
	if s == "-" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("time %q: %w", clip(s), errNumber)
	}
	return t.UTC(), nil
}

// clip keeps an error message short, whatever came in.
func clip(s string) string {
	if len(s) <= 80 {
		return s
	}
	return s[:80] + "…"
}
