// Package png draws the chart of a mail. Mail readers show no SVG, so it is a
// picture: a few colours, no smoothing, small enough (some 5 kB) and quick
// enough (a few ms) to travel with every alarm. It reads no clock.
package png

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"time"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"
)

// Sample is one value of the curve, in the unit shown.
type Sample struct {
	At    time.Time
	Value float64
}

// Chart is one curve over time.
type Chart struct {
	Samples  []Sample // in order of time
	From, To time.Time
	Gap      time.Duration // the line breaks where samples are farther apart
	Bars     bool          // each sample by itself, as cycles of a pump
	Limit    float64       // dashed; NaN: none
	Raised   time.Time     // marked; zero: not
	Zone     *time.Location
}

const (
	// As drawn in the mail: sharper would cost four times the time, and a storm
	// has a thousand of them.
	width, height            = 600, 240
	left, right, top, bottom = 48, 8, 10, 24
)

// The colours of the picture.
const (
	white = iota
	ink
	grid
	line
	limit
	mark
)

var palette = color.Palette{
	white: color.White, ink: color.RGBA{0x1b, 0x1f, 0x24, 255}, grid: color.RGBA{0xd5, 0xda, 0xe0, 255},
	line: color.RGBA{0x0b, 0x53, 0x94, 255}, limit: color.RGBA{0xa8, 0x32, 0x20, 255}, mark: color.RGBA{0xb4, 0x6a, 0x00, 255},
}

// Encode draws the chart; nil when there is nothing to draw.
func (c *Chart) Encode() []byte {
	if len(c.Samples) == 0 || !c.To.After(c.From) {
		return nil
	}
	p := painter{c: c, img: image.NewPaletted(image.Rect(0, 0, width, height), palette)}
	p.scale()
	p.axes()
	p.curve()
	var b bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := enc.Encode(&b, p.img); err != nil { // to memory, of a valid picture
		panic("png: " + err.Error())
	}
	return b.Bytes()
}

type painter struct {
	c         *Chart
	img       *image.Paletted
	low, high float64
	step      float64
}

// scale spans the values and the limit, in steps of 1, 2 or 5.
func (p *painter) scale() {
	low, high := math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			low, high = min(low, v), max(high, v)
		}
	}
	for _, s := range p.c.Samples {
		take(s.Value)
	}
	take(p.c.Limit)
	if p.c.Bars {
		take(0)
	}
	if low > high {
		low, high = 0, 1
	}
	if high-low < 1e-6*max(1, math.Abs(high)) {
		low, high = low-1, high+1
	}
	p.step = niceStep((high - low) / 5)
	p.low, p.high = p.step*math.Floor(low/p.step), p.step*math.Ceil(high/p.step)
}

func niceStep(raw float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*base {
			return m * base
		}
	}
	return 10 * base
}

func (p *painter) x(t time.Time) int {
	share := float64(t.Sub(p.c.From)) / float64(p.c.To.Sub(p.c.From))
	return left + int(math.Round(share*float64(width-left-right)))
}

func (p *painter) y(v float64) int {
	return top + int(math.Round((p.high-v)/(p.high-p.low)*float64(height-top-bottom)))
}

func (p *painter) axes() {
	for v := p.low; v <= p.high+p.step/2; v += p.step {
		p.horizontal(p.y(v), grid, 0)
		text := label(v, p.step)
		p.text(left-6-len(text)*7, p.y(v)-7, text)
	}
	for t := firstTick(p.c.From, p.c.Zone); !t.After(p.c.To); t = nextTick(t, p.c.Zone) {
		for y := top; y < height-bottom; y++ {
			p.img.SetColorIndex(p.x(t), y, grid)
		}
		text := t.In(p.c.Zone).Format("15:04")
		if t.In(p.c.Zone).Hour() == 0 {
			text = t.In(p.c.Zone).Format("2.1.")
		}
		p.text(min(max(p.x(t)-len(text)*7/2, 0), width-len(text)*7), height-bottom+6, text)
	}
	if !math.IsNaN(p.c.Limit) {
		p.horizontal(p.y(p.c.Limit), limit, 6)
	}
	if t := p.c.Raised; t.After(p.c.From) && t.Before(p.c.To) {
		for y := top; y < height-bottom; y += 2 {
			p.img.SetColorIndex(p.x(t), y, mark)
		}
	}
}

// ticks stand at six, noon, eighteen and midnight by the wall clock.
func firstTick(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	return nextTick(time.Date(y, m, d, t.In(zone).Hour()/6*6, 0, 0, 0, zone), zone)
}

func nextTick(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	next := time.Date(y, m, d, (t.In(zone).Hour()/6+1)*6, 0, 0, 0, zone)
	if !next.After(t) {
		next = t.Add(6 * time.Hour)
	}
	return next
}

// horizontal line, dashed when dash is not 0.
func (p *painter) horizontal(y int, c uint8, dash int) {
	for x := left; x < width-right; x++ {
		if dash == 0 || (x/dash)%2 == 0 {
			p.img.SetColorIndex(x, y, c)
		}
	}
}

func (p *painter) curve() {
	last := Sample{}
	for i, s := range p.c.Samples {
		if math.IsNaN(s.Value) || s.At.Before(p.c.From) || s.At.After(p.c.To) {
			continue
		}
		switch {
		case p.c.Bars:
			p.stroke(p.x(s.At), p.y(max(p.low, 0)), p.x(s.At), p.y(s.Value))
		case i > 0 && !last.At.IsZero() && (p.c.Gap == 0 || s.At.Sub(last.At) <= p.c.Gap):
			p.stroke(p.x(last.At), p.y(last.Value), p.x(s.At), p.y(s.Value))
		default:
			p.dot(p.x(s.At), p.y(s.Value))
		}
		last = s
	}
}

// stroke is a line two pixels thick.
func (p *painter) stroke(x0, y0, x1, y1 int) {
	n := max(abs(x1-x0), abs(y1-y0), 1)
	for i := 0; i <= n; i++ {
		p.dot(x0+(x1-x0)*i/n, y0+(y1-y0)*i/n)
	}
}

func (p *painter) dot(x, y int) {
	for dx := range 2 {
		for dy := range 2 {
			p.img.SetColorIndex(x+dx, y+dy, line)
		}
	}
}

func abs(n int) int { return max(n, -n) }

func (p *painter) text(x, y int, s string) {
	d := font.Drawer{Dst: p.img, Src: image.NewUniform(palette[ink]), Face: basicfont.Face7x13, Dot: fixed.P(x, y+11)}
	d.DrawString(s)
}

func label(v, step float64) string {
	digits := 0
	for step < 0.999 && digits < 3 {
		step *= 10
		digits++
	}
	return formatFloat(v, digits)
}
