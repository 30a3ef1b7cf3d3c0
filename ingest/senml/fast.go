package senml

import (
	"math"
	"strconv"
)

// fast reads the shape that gateways send: an array of flat objects with known
// labels, plain ASCII strings, numbers and Booleans. It returns false at the
// first byte outside that shape, and for every pack that is an error; the
// general decoder then starts over and decides.
func (d *Decoder) fast(p []byte) bool {
	i := space(p, 0)
	if i >= len(p) || p[i] != '[' {
		return false
	}
	i++
	for index := 0; ; index++ {
		if i = space(p, i); i >= len(p) || p[i] != '{' {
			return false
		}
		var f fields
		if i = scanRecord(p, i+1, &f); i < 0 {
			return false
		}
		if d.add(&f, index) != nil {
			return false
		}
		if i = space(p, i); i >= len(p) {
			return false
		}
		c := p[i]
		i++
		if c == ']' {
			return space(p, i) == len(p)
		}
		if c != ',' {
			return false
		}
	}
}

func space(p []byte, i int) int {
	for i < len(p) && (p[i] == ' ' || p[i] == '\n' || p[i] == '\r' || p[i] == '\t') {
		i++
	}
	return i
}

// scanRecord reads from behind '{' to behind '}'; -1 when the shape ends.
func scanRecord(p []byte, i int, f *fields) int {
	for {
		i = space(p, i)
		l, next := scanLabel(p, i)
		if next < 0 || f.seen&l.bit() != 0 {
			return -1
		}
		f.seen |= l.bit()
		i = space(p, next)
		if i >= len(p) || p[i] != ':' {
			return -1
		}
		if i = scanValue(p, space(p, i+1), f, l); i < 0 {
			return -1
		}
		if i = space(p, i); i >= len(p) {
			return -1
		}
		c := p[i]
		i++
		if c == '}' {
			return i
		}
		if c != ',' {
			return -1
		}
	}
}

// scanLabel reads a quoted label of one or two letters.
func scanLabel(p []byte, i int) (label, int) {
	if i+3 >= len(p) || p[i] != '"' {
		return 0, -1
	}
	if p[i+2] == '"' {
		switch p[i+1] {
		case 'n':
			return lName, i + 3
		case 'u':
			return lUnit, i + 3
		case 'v':
			return lValue, i + 3
		case 't':
			return lTime, i + 3
		case 's':
			return lSum, i + 3
		}
		return 0, -1
	}
	if p[i+3] != '"' {
		return 0, -1
	}
	return scanLabel2(p[i+1], p[i+2], i+4)
}

func scanLabel2(a, b byte, next int) (label, int) {
	switch uint16(a)<<8 | uint16(b) {
	case 'b'<<8 | 'n':
		return lBaseName, next
	case 'b'<<8 | 't':
		return lBaseTime, next
	case 'b'<<8 | 'u':
		return lBaseUnit, next
	case 'b'<<8 | 'v':
		return lBaseValue, next
	case 'v'<<8 | 'b':
		return lBool, next
	case 'v'<<8 | 's':
		return lString, next
	case 'u'<<8 | 't':
		return lUpdateTime, next
	}
	return 0, -1
}

// scanValue reads the value that the label asks for; -1 for any other.
func scanValue(p []byte, i int, f *fields, l label) int {
	if i >= len(p) {
		return -1
	}
	switch c := p[i]; {
	case c == '"':
		dst := f.text(l)
		if dst == nil {
			return -1
		}
		end := scanString(p, i+1)
		if end < 0 {
			return -1
		}
		*dst = str(p[i+1 : end])
		return end + 1
	case c == '-' || c >= '0' && c <= '9':
		dst := f.number(l)
		if dst == nil {
			return -1
		}
		v, end := scanNumber(p, i)
		*dst = v
		return end
	case l == lBool && c == 't' && i+4 <= len(p) && string(p[i:i+4]) == "true":
		f.vb = true
		return i + 4
	case l == lBool && c == 'f' && i+5 <= len(p) && string(p[i:i+5]) == "false":
		return i + 5
	}
	return -1
}

// scanString returns the index of the closing quote of a plain ASCII string.
func scanString(p []byte, i int) int {
	for ; i < len(p); i++ {
		if c := p[i]; c == '"' {
			return i
		} else if c < ' ' || c >= 0x7f || c == '\\' {
			return -1
		}
	}
	return -1
}

var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// scanNumber reads one JSON number and returns the nearest double, or -1 where
// the grammar or the range of a double ends.
//
// A whole number below 2^53 times or divided by a power of ten up to 10^22 is
// correctly rounded by one operation (Clinger 1990); everything else goes
// through strconv.
func scanNumber(p []byte, start int) (float64, int) {
	i := start
	neg := p[i] == '-'
	if neg {
		i++
	}
	var mant uint64
	first := i
	for ; i < len(p) && isDigit(p[i]); i++ {
		mant = mant*10 + uint64(p[i]-'0')
	}
	digits := i - first
	if digits == 0 || digits > 1 && p[first] == '0' {
		return 0, -1
	}
	exp := 0
	if i < len(p) && p[i] == '.' {
		i++
		frac := i
		for ; i < len(p) && isDigit(p[i]); i++ {
			mant = mant*10 + uint64(p[i]-'0')
		}
		if i == frac {
			return 0, -1
		}
		exp = frac - i
		digits += i - frac
	}
	if i < len(p) && p[i]|0x20 == 'e' {
		var e int
		if e, i = scanExponent(p, i+1); i < 0 {
			return 0, -1
		}
		exp += e
	}
	if digits > 19 || mant >= 1<<53 || exp < -22 || exp > 22 {
		v, err := strconv.ParseFloat(str(p[start:i]), 64)
		if err != nil {
			return 0, -1
		}
		return v, i
	}
	return scaled(mant, exp, neg), i
}

func scaled(mant uint64, exp int, neg bool) float64 {
	v := float64(mant)
	if exp < 0 {
		v /= pow10[-exp]
	} else {
		v *= pow10[exp]
	}
	if neg {
		v = math.Copysign(v, -1)
	}
	return v
}

// scanExponent reads from behind the e. An exponent of five digits or more is
// outside the shape (section 5.1 asks for less than five characters).
func scanExponent(p []byte, i int) (exp, end int) {
	sign := 1
	if i < len(p) && (p[i] == '+' || p[i] == '-') {
		if p[i] == '-' {
			sign = -1
		}
		i++
	}
	first := i
	for ; i < len(p) && isDigit(p[i]); i++ {
		if i-first == 4 {
			return 0, -1
		}
		exp = exp*10 + int(p[i]-'0')
	}
	if i == first {
		return 0, -1
	}
	return sign * exp, i
}

func isDigit(c byte) bool { return c-'0' <= 9 }
