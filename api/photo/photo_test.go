package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"testing"
)

// halves is red on the left, blue on the right.
func halves(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{R: 255, A: 255}
			if x >= w/2 {
				c = color.RGBA{B: 255, A: 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// exif is a segment with an orientation and a text that must not survive.
func exif(orientation uint16, order binary.ByteOrder, secret string) []byte {
	mark := "MM\x00\x2a"
	if order == binary.LittleEndian {
		mark = "II\x2a\x00"
	}
	var b bytes.Buffer
	b.WriteString("Exif\x00\x00" + mark)
	put := func(v any) { _ = binary.Write(&b, order, v) }
	put(uint32(8))
	put(uint16(2))
	put([]uint16{0x010f, 2}) // the maker
	put([]uint32{1, 0})
	put([]uint16{0x0112, 3})
	put(uint32(1))
	put([]uint16{orientation, 0})
	put(uint32(0))
	b.WriteString(secret)
	seg := []byte{0xff, 0xe1, 0, 0}
	binary.BigEndian.PutUint16(seg[2:], uint16(b.Len()+2))
	return append(seg, b.Bytes()...)
}

func withExif(t testing.TB, m image.Image, segment []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	out := append([]byte{}, b.Bytes()[:2]...)
	return append(append(out, segment...), b.Bytes()[2:]...)
}

func red(c color.Color) bool {
	r, _, b, _ := c.RGBA()
	return r > 0xa000 && b < 0x6000
}

// What the camera wrote beside the picture is gone, and the picture stands
// upright. Where the red half lies after turning is worked out from the Exif
// definition: 1 row 0 is the top and column 0 the left side; 3 bottom, right;
// 6 right, top; 8 left, bottom.
func TestCleanTurnsAndForgets(t *testing.T) {
	t.Parallel()
	const secret = "GPS 34.21 N 77.87 W"
	for orientation, at := range map[uint16]image.Point{1: {5, 20}, 3: {75, 20}, 6: {20, 5}, 8: {20, 75}} {
		for _, order := range []binary.ByteOrder{binary.BigEndian, binary.LittleEndian} {
			upload := withExif(t, halves(80, 40), exif(orientation, order, secret))
			got, err := Clean(upload)
			if err != nil {
				t.Fatal(err)
			}
			if bytes.Contains(got.Image, []byte("Exif")) || bytes.Contains(got.Image, []byte(secret)) || bytes.Contains(got.Thumb, []byte("Exif")) {
				t.Errorf("orientation %d: metadata kept", orientation)
			}
			m, _, err := image.Decode(bytes.NewReader(got.Image))
			if err != nil {
				t.Fatal(err)
			}
			if !red(m.At(at.X, at.Y)) || m.Bounds().Dx() != got.Width || m.Bounds().Dy() != got.Height {
				t.Errorf("orientation %d, %v: not upright, %v", orientation, order, m.Bounds())
			}
		}
	}
}

// A large picture is bounded, keeps its proportions and its colours; a small
// one is not blown up.
func TestCleanBoundsTheSize(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ w, h, wantW, wantH int }{{3200, 1000, 1600, 500}, {100, 4000, 40, 1600}, {30, 20, 30, 20}, {1, 5000, 1, 1600}} {
		got, err := Clean(withExif(t, halves(c.w, c.h), nil))
		if err != nil {
			t.Fatal(err)
		}
		if got.Width != c.wantW || got.Height != c.wantH {
			t.Errorf("%d x %d became %d x %d", c.w, c.h, got.Width, got.Height)
		}
		if c.w > 2 {
			m, _, _ := image.Decode(bytes.NewReader(got.Thumb))
			if b := m.Bounds(); b.Dx() > thumbSide || b.Dy() > thumbSide || !red(m.At(b.Dx()/8, b.Dy()/2)) || red(m.At(b.Dx()*7/8, b.Dy()/2)) {
				t.Errorf("thumb of %d x %d: %v", c.w, c.h, b)
			}
		}
	}
}

// Transparent parts of a PNG become white, not black.
func TestTransparentIsWhite(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewNRGBA(image.Rect(0, 0, 8, 8))); err != nil {
		t.Fatal(err)
	}
	got, err := Clean(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	m, _, _ := image.Decode(bytes.NewReader(got.Image))
	if r, g, bl, _ := m.At(4, 4).RGBA(); r < 0xf000 || g < 0xf000 || bl < 0xf000 {
		t.Errorf("transparent is %v", m.At(4, 4))
	}
}

// A picture that claims a billion pixels is refused before it is decoded; what
// is no picture is refused with a reason for the sender.
func TestCleanRefuses(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		t.Fatal(err)
	}
	bomb := b.Bytes()
	binary.BigEndian.PutUint32(bomb[16:], 60_000)
	binary.BigEndian.PutUint32(bomb[20:], 60_000)
	fixCRC(bomb)
	whole := withExif(t, halves(80, 40), nil)
	for name, upload := range map[string][]byte{
		"bomb": bomb, "script": []byte("<svg onload=alert(1)>"), "empty": nil, "GIF": []byte("GIF89a\x01\x00\x01\x00"), "cut off": whole[:len(whole)/3],
		"too large": make([]byte, MaxBytes+1),
	} {
		if _, err := Clean(upload); !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// fixCRC makes the header of a PNG valid again (PNG, 5.3).
func fixCRC(b []byte) { binary.BigEndian.PutUint32(b[29:], crc32.ChecksumIEEE(b[12:29])) }

func FuzzClean(f *testing.F) {
	f.Add(withExif(f, halves(8, 4), exif(6, binary.LittleEndian, "x")))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x02"))
	f.Fuzz(func(t *testing.T, b []byte) {
		_ = orientation(b)
		if got, err := Clean(b); err == nil && (got.Width > longSide || got.Height > longSide || len(got.Image) == 0) {
			t.Errorf("%d x %d", got.Width, got.Height)
		}
	})
}
