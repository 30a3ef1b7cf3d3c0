package evidence

import (
	"encoding/binary"
	"math/bits"
)

// Delays of receipt are spread evenly over a second or so, and Rice codes waste
// most of a bit on each such number. A truncated binary code does not: of n
// numbers the first ones take one bit less than the others, such that no
// combination of bits is left over.

// even stands in the place of k, since version 2: every number below a bound is
// as likely as any other; the bound follows.
const even = 62

// evenly is the code for numbers below n.
type evenly struct {
	n     uint64
	width uint   // bits of the short ones
	short uint64 // how many short ones there are
}

// evenCode is the code for numbers up to most.
func evenCode(most uint64) evenly {
	e := evenly{n: most + 1}
	if e.n == 0 {
		return e // does not fit; not valid
	}
	e.width = uint(bits.Len64(e.n)) - 1
	e.short = 1<<(e.width+1) - e.n
	return e
}

// valid: within what is ever written, so that a number and what it is read from
// fit into a word.
func (e evenly) valid() bool { return e.n >= 2 && e.width <= 32 }

// cost in bits; beyond any other where the code is not valid.
func (e evenly) cost(numbers []uint64) int {
	if !e.valid() {
		return 1 << 40
	}
	cost := 8*len(binary.AppendUvarint(nil, e.n)) + int(e.width)*len(numbers)
	for _, v := range numbers {
		if v >= e.short {
			cost++
		}
	}
	return cost
}

func (e evenly) write(w *bitWriter, numbers []uint64) {
	for _, v := range numbers {
		if v < e.short {
			w.write(v, e.width)
			continue
		}
		v += e.short
		w.write(v>>1, e.width)
		w.write(v&1, 1)
	}
}

// read fills out. Every combination of bits is a number below n.
func (e evenly) read(r *bitReader, out []int64) {
	mask := uint64(1)<<e.width - 1
	for i := range out {
		if r.n < e.width+1 {
			r.fill()
		}
		v := r.buf & mask
		long := uint64(0)
		if v >= e.short {
			long = 1
			v = v<<1 + r.buf>>e.width&1 - e.short
		}
		r.buf >>= e.width + uint(long)
		r.n -= e.width + uint(long)
		out[i] = int64(v)
	}
}
