package evidence

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// RecordProof shows that a record is in the log: its place, the size of the
// log, and the hashes from its own up to the log's, lowest first.
type RecordProof struct {
	Leaf int64 // from 0
	Size int64
	Hash [32]byte // of the record's text
	Path [][32]byte
}

const firstProofLine = "underkeep proof of a record 1"

// sides says for each step of a path whether its hash stands left of the one
// figured so far (RFC 9162, section 2.1.3.2); false with a path of a wrong
// length.
func (p *RecordProof) sides() ([]bool, bool) {
	if p.Leaf < 0 || p.Leaf >= p.Size {
		return nil, false
	}
	var left []bool
	for fn, sn := p.Leaf, p.Size-1; sn > 0; fn, sn = fn>>1, sn>>1 {
		if fn&1 == 1 || fn == sn {
			left = append(left, true)
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			left = append(left, false)
		}
	}
	return left, len(left) == len(p.Path)
}

// Text is the proof as it stands in a bundle: with each hash the side on which
// it stands, so that it can be followed by hand.
func (p *RecordProof) Text() ([]byte, error) {
	left, ok := p.sides()
	if !ok {
		return nil, fmt.Errorf("a path of %d hashes for record %d of %d", len(p.Path), p.Leaf, p.Size)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\nleaf %d\nsize %d\nhash %x\npath %d\n", firstProofLine, p.Leaf, p.Size, p.Hash, len(p.Path))
	for i, h := range p.Path {
		side := "right"
		if left[i] {
			side = "left"
		}
		fmt.Fprintf(&b, "%s %x\n", side, h)
	}
	b.WriteString("end\n")
	return b.Bytes(), nil
}

// ParseRecordProof reads what RecordProof.Text writes and nothing else.
func ParseRecordProof(text []byte) (*RecordProof, error) {
	p := &RecordProof{}
	lines := strings.Split(string(text), "\n")
	if len(lines) < 7 || len(lines) > 80 {
		return nil, fmt.Errorf("a proof of %d lines", len(lines))
	}
	number := func(i int, word string) int64 {
		n, err := strconv.ParseInt(strings.TrimPrefix(lines[i], word+" "), 10, 64)
		if err != nil {
			return -1
		}
		return n
	}
	p.Leaf, p.Size = number(1, "leaf"), number(2, "size")
	hash := func(s string) (h [32]byte) {
		if len(s) == 64 {
			_, _ = hex.Decode(h[:], []byte(s)) // what is no hexadecimal is found below
		}
		return h
	}
	p.Hash = hash(strings.TrimPrefix(lines[3], "hash "))
	for _, line := range lines[5 : len(lines)-2] {
		_, h, _ := strings.Cut(line, " ")
		p.Path = append(p.Path, hash(h))
	}
	if again, err := p.Text(); err != nil || !bytes.Equal(again, text) {
		return nil, fmt.Errorf("proof of record %d: %w", p.Leaf, ErrNotCanonical)
	}
	return p, nil
}
