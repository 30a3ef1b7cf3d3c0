package evidence

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"sync"

	"underkeep/store/site"
)

// Packed is a record in the form in which it is kept: the text without its rows
// of readings, and the readings of each point column by column. It gives back
// the canonical text byte for byte.
type Packed struct {
	Frame  []byte
	Blocks []PackedBlock // in the order of the text
}

// PackedBlock holds the readings of one point by way of one gateway.
type PackedBlock struct {
	Point, Gateway string
	Data           []byte
}

// blockVersion opens a packed block; another layout gets another number. Blocks
// of version 1, without what column.go and even.go mark as newer, are read for
// good.
const blockVersion = 2

var packers = sync.Pool{New: func() any { return &packer{} }}

// Pack turns a record into its compact form. The record must be one that can be
// written as text.
func Pack(d *Day) (Packed, error) {
	p := packers.Get().(*packer)
	defer packers.Put(p)
	out := Packed{Frame: frameEncoder.EncodeAll(d.appendText(make([]byte, 0, 2048), false), nil)}
	for i := range d.Blocks {
		b := &d.Blocks[i]
		out.Blocks = append(out.Blocks, PackedBlock{b.Point, b.Gateway, p.block(b, d.From.UnixMicro())})
	}
	return out, nil
}

// Unpack gives the record back.
func (p Packed) Unpack() (*Day, error) {
	d, err := UnpackFrame(p.Frame)
	if err != nil {
		return nil, err
	}
	if len(d.Blocks) != len(p.Blocks) {
		return nil, fmt.Errorf("%d blocks of readings, the frame of %s, %s has %d", len(p.Blocks), d.Property, d.Date, len(d.Blocks))
	}
	for i := range d.Blocks {
		named, packed := &d.Blocks[i], &p.Blocks[i]
		b, err := UnpackBlock(packed.Data, d.From.UnixMicro())
		if err != nil {
			return nil, fmt.Errorf("%s, %s, readings of %s by %s: %w", d.Property, d.Date, packed.Point, packed.Gateway, err)
		}
		if packed.Point != named.Point || packed.Gateway != named.Gateway || len(b.At) != len(named.At) || !slices.Equal(b.Quantities, named.Quantities) {
			return nil, fmt.Errorf("%s, %s: readings of %s by %s are not those of the frame", d.Property, d.Date, packed.Point, packed.Gateway)
		}
		b.Point, b.Gateway = named.Point, named.Gateway
		d.Blocks[i] = *b
	}
	return d, d.check()
}

// Gives says whether p gives d back, by everything that the text of d is made of:
// the frame by its text, the readings by every time, mark and value. It costs a
// third of unpacking and writing the text again.
func (p Packed) Gives(d *Day) error {
	framed, err := UnpackFrame(p.Frame)
	if err != nil {
		return err
	}
	if !bytes.Equal(framed.appendText(nil, false), d.appendText(nil, false)) {
		return fmt.Errorf("the frame is another")
	}
	if len(p.Blocks) != len(d.Blocks) {
		return fmt.Errorf("%d blocks of readings, want %d", len(p.Blocks), len(d.Blocks))
	}
	for i := range d.Blocks {
		want := &d.Blocks[i]
		have, err := UnpackBlock(p.Blocks[i].Data, d.From.UnixMicro())
		if err != nil {
			return fmt.Errorf("readings of %s by %s: %w", want.Point, want.Gateway, err)
		}
		have.Point, have.Gateway = p.Blocks[i].Point, p.Blocks[i].Gateway
		if !have.same(want) {
			return fmt.Errorf("readings of %s by %s are others", want.Point, want.Gateway)
		}
	}
	return nil
}

// same says whether two blocks are equal to the bit; values that are missing are
// missing in both.
func (b *Block) same(o *Block) bool {
	bits := func(x, y float64) bool {
		return math.Float64bits(x) == math.Float64bits(y) || math.IsNaN(x) && math.IsNaN(y)
	}
	return b.Point == o.Point && b.Gateway == o.Gateway && slices.Equal(b.Quantities, o.Quantities) && slices.Equal(b.At, o.At) &&
		slices.Equal(b.Received, o.Received) && slices.Equal(b.AtReceipt, o.AtReceipt) &&
		slices.EqualFunc(b.Values, o.Values, func(x, y []float64) bool { return slices.EqualFunc(x, y, bits) })
}

// UnpackFrame gives a record back without its rows of readings: its blocks have
// names and quantities, and no values.
func UnpackFrame(frame []byte) (*Day, error) {
	text, err := frameDecoder.DecodeAll(frame, nil)
	if err != nil {
		return nil, fmt.Errorf("frame: %w", err)
	}
	return parseText(text, false)
}

// block packs the readings of one point; from is the start of the day in Unix
// µs.
func (p *packer) block(b *Block, from int64) []byte {
	n := len(b.At)
	out := []byte{blockVersion, boolByte(b.AtReceipt != nil)}
	out = binary.AppendUvarint(out, uint64(n))
	out = append(out, byte(len(b.Quantities)))
	for _, q := range b.Quantities {
		out = append(out, byte(q))
	}
	p.numbers = p.numbers[:0]
	for _, at := range b.At {
		p.numbers = append(p.numbers, at-from)
	}
	out = p.appendTimes(out)
	p.numbers = p.numbers[:0]
	for i, received := range b.Received {
		p.numbers = append(p.numbers, received-b.At[i])
	}
	out = p.appendTimes(out)
	if b.AtReceipt != nil {
		out = appendBitmap(out, n, func(i int) bool { return b.AtReceipt[i] })
	}
	for _, values := range b.Values {
		out = p.appendValues(out, values)
	}
	return out
}

// timeUnits in µs; a column is kept in the coarsest that all of it fits.
var timeUnits = [...]int64{1_000_000, 1000, 1}

func (p *packer) appendTimes(b []byte) []byte {
	unit := slices.IndexFunc(timeUnits[:], func(unit int64) bool {
		return !slices.ContainsFunc(p.numbers, func(v int64) bool { return v%unit != 0 })
	})
	for i := range p.numbers {
		p.numbers[i] /= timeUnits[unit]
	}
	return p.appendColumn(append(b, byte(unit)), p.numbers)
}

func appendBitmap(b []byte, n int, set func(int) bool) []byte {
	start := len(b)
	b = append(b, make([]byte, (n+7)/8)...)
	for i := range n {
		if set(i) {
			b[start+i/8] |= 1 << (i % 8)
		}
	}
	return b
}

// multipliers: a value may be a decimal times one of these, after its unit was
// converted.
var multipliers = [...]float64{1, 100, 1000}

const (
	maxScale    = 9
	valuesHoles = 1 << 7 // not in every row
	valuesBits  = 1 << 6 // as they are in memory; else multiplier·16 + scale
)

// appendValues writes a column as decimals where it is made of such, else bit by
// bit.
func (p *packer) appendValues(b []byte, values []float64) []byte {
	holes := slices.ContainsFunc(values, math.IsNaN)
	scale, multiplier, ok := commonScale(values)
	head := byte(multiplier<<4 | scale)
	if !ok {
		head = valuesBits
	}
	if holes {
		head |= valuesHoles
	}
	b = append(b, head)
	if holes {
		b = appendBitmap(b, len(values), func(i int) bool { return !math.IsNaN(values[i]) })
	}
	if !ok {
		for _, v := range values {
			if !math.IsNaN(v) {
				b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
			}
		}
		return b
	}
	p.numbers = p.numbers[:0]
	for _, v := range values {
		if !math.IsNaN(v) {
			p.numbers = append(p.numbers, int64(math.Round(v/multipliers[multiplier]*powersOfTen[scale])))
		}
	}
	return p.appendColumn(b, p.numbers)
}

// commonScale finds decimals and a multiplier that give back every value
// exactly.
func commonScale(values []float64) (scale, multiplier int, ok bool) {
	for m, by := range multipliers {
		scale = 0
		ok = true
		for _, v := range values {
			if math.IsNaN(v) {
				continue
			}
			if scale, ok = widenScale(v, by, scale); !ok {
				break
			}
		}
		if ok && slices.IndexFunc(values, func(v float64) bool { return !math.IsNaN(v) && !fits(v, by, scale) }) < 0 {
			return scale, m, true
		}
	}
	return 0, 0, false
}

func widenScale(v, by float64, scale int) (int, bool) {
	for ; scale <= maxScale; scale++ {
		if fits(v, by, scale) {
			return scale, true
		}
	}
	return 0, false
}

// fits: the decimal that would be kept gives the very same float64.
func fits(v, by float64, scale int) bool {
	n := math.Round(v / by * powersOfTen[scale])
	return math.Abs(n) < 1e15 && math.Float64bits(n/powersOfTen[scale]*by) == math.Float64bits(v)
}

// UnpackBlock gives the readings of a point back, without the names of point and
// gateway.
func UnpackBlock(data []byte, from int64) (*Block, error) {
	return unpackBlock(data, from, func(site.Quantity) bool { return true })
}

// UnpackQuantity gives only the column of one quantity back; nil when it is not
// in the block. Rows without it stay in.
func UnpackQuantity(data []byte, from int64, q site.Quantity) (*Block, error) {
	b, err := unpackBlock(data, from, func(have site.Quantity) bool { return have == q })
	if err != nil || len(b.Values) == 0 {
		return nil, err
	}
	return b, nil
}

func unpackBlock(data []byte, from int64, want func(site.Quantity) bool) (*Block, error) {
	u := &unpacker{in: data}
	n, marked, quantities := u.head()
	if u.err != nil {
		return nil, u.err
	}
	b := &Block{At: make([]int64, n), Received: make([]int64, n)}
	u.times(b.At, from)
	u.times(b.Received, 0)
	for i, at := range b.At {
		b.Received[i] += at
	}
	if marked {
		b.AtReceipt = bitmap(u.bytes(uint64(n+7)/8), n)
	}
	scratch := make([]int64, n)
	for _, q := range quantities {
		if !want(site.Quantity(q)) {
			u.values(nil, n, nil)
			continue
		}
		values := make([]float64, n)
		u.values(values, n, scratch)
		b.Quantities, b.Values = append(b.Quantities, site.Quantity(q)), append(b.Values, values)
	}
	if u.err == nil && len(u.in) > 0 {
		u.fail()
	}
	return b, u.err
}

func (u *unpacker) times(out []int64, base int64) {
	unit := u.byte()
	if int(unit) >= len(timeUnits) {
		u.fail()
		return
	}
	u.column(out)
	for i := range out {
		out[i] = base + out[i]*timeUnits[unit]
	}
}

func bitmap(packed []byte, n int) []bool {
	if packed == nil {
		return nil
	}
	out := make([]bool, n)
	for i := range out {
		out[i] = packed[i/8]>>(i%8)&1 == 1
	}
	return out
}

func boolByte(v bool) byte {
	if v {
		return 1
	}
	return 0
}
