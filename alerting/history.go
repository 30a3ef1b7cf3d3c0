package alerting

import (
	"slices"
	"sort"
)

// history keeps readings sorted by (At, Series), in chunks so that a year of
// them grows without being copied.
type history struct{ chunks [][]Reading }

const chunkSize = 4096

func byTime(a, b Reading) int {
	switch {
	case a.At < b.At, a.At == b.At && a.Series < b.Series:
		return -1
	case a.At == b.At && a.Series == b.Series:
		return 0
	}
	return 1
}

// file adds a reading unless there is one of its series at its time: the first
// value stands.
func (h *history) file(x Reading) bool {
	n := len(h.chunks)
	if n == 0 || byTime(h.last(n-1), x) < 0 {
		if n == 0 || len(h.chunks[n-1]) >= chunkSize {
			h.chunks = append(h.chunks, make([]Reading, 0, chunkSize))
			n++
		}
		h.chunks[n-1] = append(h.chunks[n-1], x)
		return true
	}
	c := sort.Search(n, func(i int) bool { return byTime(h.last(i), x) >= 0 })
	i, found := slices.BinarySearchFunc(h.chunks[c], x, byTime)
	if found {
		return false
	}
	h.chunks[c] = slices.Insert(h.chunks[c], i, x)
	return true
}

func (h *history) last(chunk int) Reading {
	c := h.chunks[chunk]
	return c[len(c)-1]
}

// since returns a copy of every reading from an event time on.
func (h *history) since(at int64) []Reading {
	x := Reading{At: at}
	c := sort.Search(len(h.chunks), func(i int) bool { return byTime(h.last(i), x) >= 0 })
	if c == len(h.chunks) {
		return nil
	}
	i, _ := slices.BinarySearchFunc(h.chunks[c], x, byTime)
	out := slices.Clone(h.chunks[c][i:])
	for _, chunk := range h.chunks[c+1:] {
		out = append(out, chunk...)
	}
	return out
}
