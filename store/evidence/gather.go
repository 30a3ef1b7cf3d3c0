package evidence

import (
	"encoding/binary"
	"math"
	"slices"

	"underkeep/store/site"
)

// Columns gathers packed blocks of one point into columns, one block behind the
// other: what many days come to without a row of it being touched twice. The
// times of a year are a megabyte, so what is not asked for is not unpacked.
type Columns struct {
	// Quantities asked for, each once.
	Quantities []site.Quantity
	// Receipts asks for Received too.
	Receipts bool
	// Within spares receipts, in µs: where all of a block came within it after their
	// times, the times may stand for the receipts. 0: not.
	Within int64

	At       []int64     // Unix µs
	Received []int64     // Unix µs; empty unless asked for, complete after Finish
	Values   [][]float64 // by quantity, then row; NaN where a row has none

	scratch []int64
}

// Grow makes room for n more rows.
func (c *Columns) Grow(n int) {
	c.begin()
	c.At = slices.Grow(c.At, n)
	if c.Receipts && c.Within == 0 {
		c.Received = slices.Grow(c.Received, n)
	}
	for i := range c.Values {
		c.Values[i] = slices.Grow(c.Values[i], n)
	}
}

func (c *Columns) begin() {
	if c.Values == nil {
		c.Values = make([][]float64, len(c.Quantities))
	}
}

// Append unpacks a block of the day that begins at from, in Unix µs. A block
// with none of the quantities adds no rows. After an error the columns are not
// to be used.
func (c *Columns) Append(data []byte, from int64) error {
	c.begin()
	u := &unpacker{in: data}
	n, marked, have := u.head()
	if u.err != nil {
		return u.err
	}
	if !slices.ContainsFunc(have, func(q byte) bool { return slices.Contains(c.Quantities, site.Quantity(q)) }) {
		return nil
	}
	first := len(c.At)
	c.At = longer(c.At, n)
	u.times(c.At[first:], from)
	c.receipts(u, first)
	if marked {
		u.bytes(uint64(n+7) / 8)
	}
	c.appendValues(u, n, have)
	if u.err == nil && len(u.in) > 0 {
		u.fail()
	}
	return u.err
}

// receipts takes those of the rows from first on.
func (c *Columns) receipts(u *unpacker, first int) {
	if !c.Receipts {
		u.skipTimes()
		return
	}
	if c.Within > 0 && u.most() < c.Within {
		u.skipTimes()
		if len(c.Received) > 0 {
			c.Received = append(c.Received, c.At[first:]...)
		}
		return
	}
	if len(c.Received) < first { // those before were spared
		c.Received = append(c.Received[:0], c.At[:first]...)
	}
	c.Received = longer(c.Received, len(c.At)-first)
	u.times(c.Received[first:], 0)
	for i, at := range c.At[first:] {
		c.Received[first+i] += at
	}
}

// Finish completes Received when the last block is in.
func (c *Columns) Finish() {
	if n := len(c.At); c.Receipts && len(c.Received) < n {
		c.Received = c.At[:n:n] // all were spared; what is appended gets room of its own
	}
}

// most is what no time of the column that follows is above, as far as its head
// tells; it stays where it is.
func (u *unpacker) most() int64 {
	head := *u
	unit, kind := head.byte(), head.byte()
	base := head.varint()
	if head.err != nil || int(unit) >= len(timeUnits) || int(kind>>6) != fromLeast || base > 1<<40 {
		return math.MaxInt64
	}
	switch uint(kind & 63) {
	case even:
		if e := evenCode(head.uvarint() - 1); head.err == nil && e.valid() {
			return (base + int64(e.n) - 1) * timeUnits[unit]
		}
	case noResidual:
		return base * timeUnits[unit]
	}
	return math.MaxInt64
}

func (c *Columns) appendValues(u *unpacker, n int, have []byte) {
	if cap(c.scratch) < n {
		c.scratch = make([]int64, n)
	}
	first := len(c.At) - n
	for _, q := range have {
		i := slices.Index(c.Quantities, site.Quantity(q))
		if i < 0 {
			u.values(nil, n, nil)
			continue
		}
		if len(c.Values[i]) > first { // twice in one block
			u.fail()
			return
		}
		c.Values[i] = longer(c.Values[i], n)
		u.values(c.Values[i][first:], n, c.scratch[:n])
	}
	for i := range c.Values {
		for len(c.Values[i]) < len(c.At) {
			c.Values[i] = append(c.Values[i], math.NaN())
		}
	}
}

// longer adds n numbers, whatever they are.
func longer[T any](s []T, n int) []T {
	return slices.Grow(s, n)[:len(s)+n]
}

// head reads what is in front of a block's columns.
func (u *unpacker) head() (n int, marked bool, quantities []byte) {
	if u.version = u.byte(); u.version < 1 || u.version > blockVersion {
		u.fail()
		return 0, false, nil
	}
	mark := u.byte()
	rows := u.uvarint()
	// Constant columns take no bytes a row, so the length of data bounds nothing.
	if mark > 1 || rows == 0 || rows > maxRows {
		u.fail()
		return 0, false, nil
	}
	return int(rows), mark == 1, u.bytes(uint64(u.byte()))
}

func (u *unpacker) skipTimes() {
	if int(u.byte()) >= len(timeUnits) {
		u.fail()
		return
	}
	u.column(nil)
}

// values is one column of n rows into out; scratch has room for
// as many. A nil out only moves behind the column.
func (u *unpacker) values(out []float64, n int, scratch []int64) {
	head := u.byte()
	have := n
	var present []byte
	if head&valuesHoles != 0 {
		present = u.bytes(uint64(n+7) / 8)
		have = countBits(present, n)
	}
	if u.err != nil || have == 0 {
		u.fail()
		return
	}
	into := out
	if out != nil {
		into = out[:have]
	}
	switch {
	case head&valuesBits != 0:
		u.floats(into, have)
	case out == nil:
		u.decimals(nil, nil, head&0x3f)
	default:
		u.decimals(into, scratch[:have], head&0x3f)
	}
	if present != nil && out != nil && u.err == nil {
		spread(out, have, present)
	}
}

func countBits(packed []byte, n int) (set int) {
	for i := range min(n, 8*len(packed)) {
		set += int(packed[i/8] >> (i % 8) & 1)
	}
	return set
}

func (u *unpacker) floats(out []float64, n int) {
	raw := u.bytes(8 * uint64(n))
	if raw == nil {
		return
	}
	for i := range out {
		out[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*i:]))
	}
}

func (u *unpacker) decimals(out []float64, scratch []int64, head byte) {
	scale, multiplier := int(head&15), int(head>>4)
	if scale > maxScale || multiplier >= len(multipliers) {
		u.fail()
		return
	}
	if out == nil {
		u.column(nil)
		return
	}
	u.column(scratch)
	unit, by := powersOfTen[scale], multipliers[multiplier]
	out = out[:len(scratch)]
	if by == 1 {
		for i, v := range scratch {
			out[i] = float64(v) / unit
		}
		return
	}
	for i, v := range scratch {
		out[i] = float64(v) / unit * by
	}
}

// spread moves the first have values to the rows that have one.
func spread(out []float64, have int, present []byte) {
	from := have - 1
	for i := len(out) - 1; i >= 0; i-- {
		if present[i/8]>>(i%8)&1 == 1 {
			out[i] = out[from]
			from--
		} else {
			out[i] = math.NaN()
		}
	}
}
