package report

import (
	"embed"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode"
)

//go:embed fonts/*.ttf
var fontFiles embed.FS

var (
	regular = mustRead("fonts/DejaVuSansCondensed.ttf")
	bold    = mustRead("fonts/DejaVuSansCondensed-Bold.ttf")
	covers  = mustCoverage(regular, bold)
)

func mustRead(name string) []byte {
	b, err := fontFiles.ReadFile(name)
	if err != nil {
		panic(err)
	}
	return b
}

// coverage is which runes a font has a glyph for, up to U+FFFF: the library
// cannot take more.
type coverage [1 << 16 / 64]uint64

func (c *coverage) set(r uint16)    { c[r/64] |= 1 << (r % 64) }
func (c *coverage) has(r rune) bool { return r >= 0 && r < 1<<16 && c[r/64]>>(r%64)&1 == 1 }
func (c *coverage) and(o *coverage) {
	for i := range c {
		c[i] &= o[i]
	}
}

// mustCoverage is what all of the fonts cover.
func mustCoverage(fonts ...[]byte) *coverage {
	var all *coverage
	for _, f := range fonts {
		c, err := readCoverage(f)
		if err != nil { // only a build with a broken font
			panic("report: " + err.Error())
		}
		if all == nil {
			all = c
			continue
		}
		all.and(c)
	}
	return all
}

// readCoverage reads the character map of a TrueType font: table cmap, format 4
// (OpenType specification 1.9, "cmap").
func readCoverage(font []byte) (*coverage, error) {
	be := binary.BigEndian
	cmap, err := table(font, "cmap")
	if err != nil {
		return nil, err
	}
	for i := range int(be.Uint16(cmap[2:])) {
		sub := cmap[be.Uint32(cmap[4+8*i+4:]):]
		if be.Uint16(sub) != 4 {
			continue
		}
		c := &coverage{}
		n := int(be.Uint16(sub[6:])) / 2
		end, start := sub[14:], sub[16+2*n:]
		delta, offset := sub[16+4*n:], sub[16+6*n:]
		for k := range n {
			first, last := be.Uint16(start[2*k:]), be.Uint16(end[2*k:])
			for r := int(first); r <= int(last) && r != 0xffff; r++ {
				glyph := uint16(r)
				if o := int(be.Uint16(offset[2*k:])); o != 0 {
					if glyph = be.Uint16(offset[2*k+o+2*(r-int(first)):]); glyph == 0 {
						continue
					}
				}
				if glyph+be.Uint16(delta[2*k:]) != 0 {
					c.set(uint16(r))
				}
			}
		}
		return c, nil
	}
	return nil, fmt.Errorf("the font has no character map of format 4")
}

func table(font []byte, name string) ([]byte, error) {
	be := binary.BigEndian
	for i := range int(be.Uint16(font[4:])) {
		entry := font[12+16*i:]
		if string(entry[:4]) == name {
			return font[be.Uint32(entry[8:]):], nil
		}
	}
	return nil, fmt.Errorf("the font has no table %s", name)
}

// missing stands for a character that the font does not have.
const missing = '□'

// clean is text that the font can show: control characters become spaces, and
// what it has no glyph for a box, so that nothing is dropped in silence.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case unicode.IsControl(r):
			return ' '
		case !covers.has(r):
			return missing
		}
		return r
	}, text)
}
