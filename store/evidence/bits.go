package evidence

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

// Numbers of a column are written as Rice codes (R. F. Rice, 1979): the part
// above k bits as that many ones and a zero, then the k bits. What sensors send
// differs from its prediction by noise, for which these are within a few
// percent of the best possible, and they need no table in front of a few
// hundred numbers.

const (
	maxUnary   = 24 // so many ones: the number follows in 64 bits
	maxRice    = 40
	noResidual = 63 // instead of k: all are zero, and no bits follow
)

// bitWriter appends bits, the lowest first.
type bitWriter struct {
	out []byte
	buf uint64
	n   uint
}

func (w *bitWriter) write(v uint64, n uint) {
	w.buf |= v << w.n
	if w.n+n < 64 {
		w.n += n
		return
	}
	w.out = binary.LittleEndian.AppendUint64(w.out, w.buf)
	w.buf = 0
	if w.n > 0 {
		w.buf = v >> (64 - w.n)
	}
	w.n = w.n + n - 64
}

func (w *bitWriter) rice(v uint64, k uint) {
	q := v >> k
	if q >= maxUnary {
		w.write(1<<maxUnary-1, maxUnary)
		w.write(v&0xffffffff, 32)
		w.write(v>>32, 32)
		return
	}
	w.write(1<<q-1, uint(q)+1)
	w.write(v&(1<<k-1), k)
}

// finish fills the last byte with zeros.
func (w *bitWriter) finish() []byte {
	for ; w.n > 0; w.n -= min(w.n, 8) {
		w.out = append(w.out, byte(w.buf))
		w.buf >>= 8
	}
	return w.out
}

var errPacked = errors.New("the compact form of a day is damaged")

// bitReader takes bits off again. Behind the end there are zeros; over says
// whether any of them was used.
type bitReader struct {
	in   []byte
	buf  uint64
	n    uint
	used int // bits taken from behind the end
}

// fill makes at least 57 bits ready.
func (r *bitReader) fill() {
	if len(r.in) >= 8 {
		r.buf |= binary.LittleEndian.Uint64(r.in) << r.n
		taken := (63 - r.n) >> 3
		r.in = r.in[taken:]
		r.n += taken * 8
		return
	}
	for r.n <= 56 {
		if len(r.in) > 0 {
			r.buf |= uint64(r.in[0]) << r.n
			r.in = r.in[1:]
		} else {
			r.used += 8
		}
		r.n += 8
	}
}

func (r *bitReader) take(n uint) uint64 {
	if r.n < n {
		r.fill()
	}
	v := r.buf & (1<<n - 1)
	r.buf >>= n
	r.n -= n
	return v
}

func (r *bitReader) rice(k uint) uint64 {
	if r.n < maxUnary+1 {
		r.fill()
	}
	q := uint(bits.TrailingZeros64(^r.buf))
	if q >= maxUnary {
		r.buf >>= maxUnary
		r.n -= maxUnary
		low := r.take(32)
		return low | r.take(32)<<32
	}
	r.buf >>= q + 1
	r.n -= q + 1
	return uint64(q)<<k | r.take(k)
}

// riceAll fills out with numbers of one k. Where at least 16 bytes are left none
// of the next number's bits can be missing, unless it is written out in full.
func (r *bitReader) riceAll(out []int64, k uint) {
	i, mask := 0, uint64(1)<<k-1
	in, buf, n := r.in, r.buf, r.n
	for ; i < len(out) && len(in) >= 16; i++ {
		buf |= binary.LittleEndian.Uint64(in) << n
		taken := (63 - n) >> 3
		in = in[taken:]
		n += taken * 8
		q := uint(bits.TrailingZeros64(^buf))
		if q >= maxUnary {
			*r = bitReader{in: in, buf: buf, n: n}
			out[i] = int64(r.rice(k))
			in, buf, n = r.in, r.buf, r.n
			continue
		}
		buf >>= q + 1
		n -= q + 1
		if n < k {
			buf |= binary.LittleEndian.Uint64(in) << n
			taken := (63 - n) >> 3
			in = in[taken:]
			n += taken * 8
		}
		out[i] = int64(uint64(q)<<k | buf&mask)
		buf >>= k
		n -= k
	}
	r.in, r.buf, r.n = in, buf, n
	for ; i < len(out); i++ {
		out[i] = int64(r.rice(k))
	}
}

// over says whether more bits were taken than there are.
func (r *bitReader) over() bool { return r.used > int(r.n) }

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(v uint64) int64 { return int64(v>>1) ^ -int64(v&1) }
