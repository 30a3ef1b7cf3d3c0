package png

import (
	"bytes"
	"image/color"
	"image/png"
	"math"
	"os"
	"testing"
	"time"
)

func sample(n int) *Chart {
	from := time.Date(2026, 9, 12, 16, 0, 0, 0, time.UTC)
	c := &Chart{From: from, To: from.Add(48 * time.Hour), Limit: 60, Raised: from.Add(40 * time.Hour), Zone: time.UTC, Gap: time.Hour}
	for i := range n {
		at := from.Add(time.Duration(i) * 48 * time.Hour / time.Duration(n))
		c.Samples = append(c.Samples, Sample{at, 55 + 10*math.Sin(float64(i)/40)})
	}
	return c
}

// The picture holds the curve where arithmetic by hand puts it: the middle of the
// time at the middle of the picture, the limit dashed between its neighbours.
func TestCurveIsWhereItBelongs(t *testing.T) {
	t.Parallel()
	c := sample(576)
	for i := range c.Samples {
		c.Samples[i].Value = 40
		if i == 288 {
			c.Samples[i].Value = 80
		}
	}
	b := c.Encode()
	if dump := os.Getenv("UNDERKEEP_TEST_DUMP"); dump != "" {
		if err := os.WriteFile(dump, sample(576).Encode(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	blue := func(x, y int) bool { return sameColor(img.At(x, y), palette[line]) }
	middle := left + (width-left-right)/2
	if !blue(middle, top+1) { // 80 is the top of the axis, 40 its bottom
		t.Error("no curve at the peak in the middle")
	}
	if !blue(left+40, height-bottom) || blue(left+40, top+1) {
		t.Error("the rest of the curve is not at its value")
	}
	if y := (top + height - bottom) / 2; !sameColor(img.At(left+1+(12-(left+1)%12), y), palette[limit]) {
		t.Error("no limit half way up")
	}
}

func sameColor(a, b color.Color) bool {
	r1, g1, b1, _ := a.RGBA()
	r2, g2, b2, _ := b.RGBA()
	return r1 == r2 && g1 == g2 && b1 == b2
}

func TestNothingToDraw(t *testing.T) {
	t.Parallel()
	if (&Chart{}).Encode() != nil {
		t.Error("a picture of nothing")
	}
	c := sample(3)
	for i := range c.Samples {
		c.Samples[i].Value = math.NaN()
	}
	c.Limit = math.Inf(1)
	if c.Encode() == nil { // axes at least, and no panic
		t.Error("no picture")
	}
}

func BenchmarkEncode(b *testing.B) {
	c := sample(576)
	for b.Loop() {
		b.ReportMetric(float64(len(c.Encode())), "B")
	}
}
