package evidence

import (
	"encoding/binary"
	"math/bits"
	"slices"
)

// A column is written as what is left of its numbers when each is predicted, by
// whichever of four predictions leaves least.
const (
	fromLeast  = iota // the least of all
	fromLast          // the one before
	fromTrend         // the one before, going on as before
	fromStep          // the one before and the first step; since version 2
	noOfGuides        // how many predictions there are
)

// packer keeps buffers from column to column.
type packer struct {
	numbers  []int64
	residual [noOfGuides][]uint64
	w        bitWriter
}

// appendColumn writes numbers: prediction and k, the base, how many bytes
// follow, and those.
func (p *packer) appendColumn(b []byte, numbers []int64) []byte {
	guide, k, best := 0, uint(0), -1
	for g := range noOfGuides {
		p.residual[g] = residuals(p.residual[g][:0], numbers, g)
		if gk, cost := bestRice(p.residual[g]); best < 0 || cost < best {
			guide, k, best = g, gk, cost
		}
	}
	e := evenCode(slices.Max(p.residual[fromLeast]))
	if k != noResidual && e.cost(p.residual[fromLeast]) < best {
		guide, k = fromLeast, even
	}
	base := numbers[0]
	if guide == fromLeast {
		base = slices.Min(numbers)
	}
	b = append(b, byte(guide<<6)|byte(k))
	b = binary.AppendVarint(b, base)
	if guide == fromStep {
		b = binary.AppendVarint(b, firstStep(numbers))
	}
	if k == noResidual {
		return b
	}
	p.w = bitWriter{out: p.w.out[:0]}
	if k == even {
		b = binary.AppendUvarint(b, e.n)
		e.write(&p.w, p.residual[fromLeast])
	} else {
		for _, v := range p.residual[guide] {
			p.w.rice(v, k)
		}
	}
	out := p.w.finish()
	b = binary.AppendUvarint(b, uint64(len(out)))
	return append(b, out...)
}

// residuals are what a prediction leaves; the first number is the base of the
// two that look back.
func residuals(out []uint64, numbers []int64, guide int) []uint64 {
	switch guide {
	case fromLeast:
		least := slices.Min(numbers)
		for _, v := range numbers {
			out = append(out, uint64(v-least))
		}
	case fromLast:
		for i := 1; i < len(numbers); i++ {
			out = append(out, zigzag(numbers[i]-numbers[i-1]))
		}
	case fromTrend:
		last := int64(0)
		for i := 1; i < len(numbers); i++ {
			step := numbers[i] - numbers[i-1]
			out = append(out, zigzag(step-last))
			last = step
		}
	case fromStep:
		first := firstStep(numbers)
		for i := 1; i < len(numbers); i++ {
			out = append(out, zigzag(numbers[i]-numbers[i-1]-first))
		}
	}
	return out
}

func firstStep(numbers []int64) int64 {
	if len(numbers) < 2 {
		return 0
	}
	return numbers[1] - numbers[0]
}

// bestRice finds the k that takes fewest bits among those that fit the usual
// lengths of the numbers, and how many bits that is.
func bestRice(residual []uint64) (k uint, cost int) {
	var lengths [65]int
	for _, v := range residual {
		lengths[bits.Len64(v)]++
	}
	if lengths[0] == len(residual) {
		return noResidual, 0
	}
	cost, tried := -1, map[uint]bool{}
	sum, n := 0, len(residual)
	for length := uint(0); length <= 64; length++ {
		before := sum
		sum += lengths[length]
		for _, share := range [3]int{n / 2, 3 * n / 4, 9 * n / 10} {
			if before > share || sum <= share {
				continue
			}
			for _, candidate := range [3]uint{length - min(length, 2), length - min(length, 1), length} {
				candidate = min(candidate, maxRice)
				if tried[candidate] {
					continue
				}
				tried[candidate] = true
				if c := riceCost(residual, candidate); cost < 0 || c < cost {
					k, cost = candidate, c
				}
			}
		}
	}
	return k, cost
}

func riceCost(residual []uint64, k uint) int {
	cost := len(residual) * int(k+1)
	for _, v := range residual {
		if q := v >> k; q < maxUnary {
			cost += int(q)
		} else {
			cost += maxUnary + 64 - int(k+1)
		}
	}
	return cost
}

// unpacker takes columns apart again; the first damage stays in err.
type unpacker struct {
	in      []byte
	err     error
	version byte
}

func (u *unpacker) fail() {
	if u.err == nil {
		u.err = errPacked
	}
	u.in = nil
}

func (u *unpacker) byte() byte {
	if len(u.in) == 0 {
		u.fail()
		return 0
	}
	b := u.in[0]
	u.in = u.in[1:]
	return b
}

func (u *unpacker) uvarint() uint64 {
	v, n := binary.Uvarint(u.in)
	if n <= 0 {
		u.fail()
		return 0
	}
	u.in = u.in[n:]
	return v
}

func (u *unpacker) varint() int64 {
	v, n := binary.Varint(u.in)
	if n <= 0 {
		u.fail()
		return 0
	}
	u.in = u.in[n:]
	return v
}

func (u *unpacker) bytes(n uint64) []byte {
	if n > uint64(len(u.in)) {
		u.fail()
		return nil
	}
	b := u.in[:n]
	u.in = u.in[n:]
	return b
}

// column fills out; nil skips so many numbers.
func (u *unpacker) column(out []int64) {
	head := u.byte()
	guide, k := int(head>>6), uint(head&63)
	base := u.varint()
	if guide == fromStep && u.version < 2 || k == even && (u.version < 2 || guide != fromLeast) || k > maxRice && k < even {
		u.fail()
		return
	}
	var step int64
	var e evenly
	var packed []byte
	if guide == fromStep {
		step = u.varint()
	}
	if k == even {
		if e = evenCode(u.uvarint() - 1); !e.valid() {
			u.fail()
			return
		}
	}
	if k != noResidual {
		packed = u.bytes(u.uvarint())
	}
	if u.err != nil || out == nil {
		return
	}
	r := bitReader{in: packed}
	switch {
	case k == noResidual:
		clear(out)
	case k == even:
		e.read(&r, out)
	case guide == fromLeast:
		r.riceAll(out, k)
	default:
		out[0] = 0
		r.riceAll(out[1:], k)
	}
	if r.over() {
		u.fail()
	}
	addGuide(out, guide, base, step)
}

// addGuide turns what was left back into numbers.
func addGuide(out []int64, guide int, base, step int64) {
	switch guide {
	case fromLeast:
		for i := range out {
			out[i] += base
		}
	case fromLast:
		out[0] = base
		for i := 1; i < len(out); i++ {
			base += unzigzag(uint64(out[i]))
			out[i] = base
		}
	case fromTrend:
		out[0] = base
		step := int64(0)
		for i := 1; i < len(out); i++ {
			step += unzigzag(uint64(out[i]))
			base += step
			out[i] = base
		}
	case fromStep:
		out[0] = base
		for i := 1; i < len(out); i++ {
			base += step + unzigzag(uint64(out[i]))
			out[i] = base
		}
	}
}
