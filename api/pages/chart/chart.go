// Package chart draws time series as SVG, on the server and without scripts.
//
// A chart is as wide as its place: lines live in a stretched inner picture of
// 1000 units, words stand outside it at percentages, so that text keeps its
// size on a phone. Where nothing was measured the line stops and the gap is
// hatched: missing time never looks like good time.
package chart

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"
)

// Sample of a line: the mean of a bucket with its extremes.
type Sample struct {
	At              time.Time
	Low, Mean, High float64
}

// Line of a chart.
type Line struct {
	Name    string
	Style   int // 1 to 4: pattern and colour, told apart in grey too
	Samples []Sample
	// Gap is the longest distance between samples that the line bridges; 0
	// bridges everything.
	Gap time.Duration
}

// Bar covers [At, At+Width).
type Bar struct {
	At    time.Time
	Width time.Duration
	Value float64
}

// Limit is a level drawn across, with its words.
type Limit struct {
	Value float64
	Name  string
	Far   bool // shown only where the data come near it
}

// Band is where values should lie, drawn pale behind everything.
type Band struct{ Low, High float64 }

// Mark is a stretch of time to point out, an alarm for example.
type Mark struct {
	From, To time.Time
	Label    string // one or two characters, explained beside the chart
	Title    string
	Moment   bool // a line at From rather than a stretch: somebody was there
}

// Chart has lines or bars over [From, To).
type Chart struct {
	ID       string // unique on the page, [a-z0-9-]
	Title    string
	Unit     string // as written behind values, with its space: " %", " °F"
	Decimals int
	From, To time.Time
	Zone     *time.Location
	Lines    []Line
	Bars     []Bar
	Limits   []Limit
	Band     *Band
	Marks    []Mark
	// Between shades the margin from line Between[0] down to line Between[1].
	Between *[2]int
	Height  int // px of the picture without the words below; default 150
	// Zero keeps 0 in the picture, as bars need.
	Zero bool
}

const width = 1000 // of the stretched picture

// scale maps values to y.
type scale struct {
	low, high float64
	height    float64
}

func (s scale) y(v float64) float64 {
	return s.height - (v-s.low)/(s.high-s.low)*s.height
}

// shows says whether a limit is inside the picture.
func (s scale) shows(l Limit) bool { return l.Value >= s.low && l.Value <= s.high }

func (c *Chart) x(t time.Time) float64 {
	return width * float64(t.Sub(c.From)) / float64(c.To.Sub(c.From))
}

// SVG draws the chart. All text is escaped.
func (c Chart) SVG() template.HTML {
	if c.Height == 0 {
		c.Height = 150
	}
	if !c.To.After(c.From) || c.Zone == nil {
		return ""
	}
	s := c.fit()
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" role="img" aria-labelledby="%s-t" width="100%%" height="%d"><title id="%s-t">%s</title>`,
		c.ID, c.Height+22, c.ID, template.HTMLEscapeString(c.spoken()))
	fmt.Fprintf(&b, `<defs><pattern id="%s-h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="hatch" width="1.5" height="6"/></pattern></defs>`, c.ID)
	c.drawMarks(&b)
	c.drawGaps(&b)
	fmt.Fprintf(&b, `<svg width="100%%" height="%d" viewBox="0 0 %d %d" preserveAspectRatio="none">`, c.Height, width, c.Height)
	c.drawBand(&b, s)
	c.drawGrid(&b, s)
	c.drawBetween(&b, s)
	c.drawBars(&b, s)
	for _, l := range c.Lines {
		c.drawLine(&b, l, s)
	}
	b.WriteString(`</svg>`)
	c.drawWords(&b, s)
	c.drawHover(&b)
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// spoken is what a screen reader says for the picture; the table beside it has
// the figures.
func (c *Chart) spoken() string {
	low, high := c.extremes()
	if math.IsInf(low, 0) {
		return c.Title + ": no readings"
	}
	return fmt.Sprintf("%s: from %s to %s", c.Title, c.format(low), c.format(high))
}

func (c *Chart) format(v float64) string { return fmt.Sprintf("%.*f%s", c.Decimals, v, c.Unit) }

func (c *Chart) extremes() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, l := range c.Lines {
		for _, p := range l.Samples {
			low, high = min(low, p.Low), max(high, p.High)
		}
	}
	for _, v := range c.Bars {
		low, high = min(low, v.Value), max(high, v.Value)
	}
	return low, high
}

// fit chooses the range of values: all data and limits, some air, never a
// range so small that noise fills the picture.
func (c *Chart) fit() scale {
	low, high := c.extremes()
	for _, l := range c.Limits {
		if !l.Far {
			low, high = min(low, l.Value), max(high, l.Value)
		}
	}
	if math.IsInf(low, 0) {
		low, high = 0, 1
	}
	if c.Zero || len(c.Bars) > 0 {
		low = min(low, 0)
	}
	least := 4 * math.Pow10(-c.Decimals)
	if high-low < least {
		high = low + least
	}
	air := (high - low) * 0.08
	if low != 0 || (!c.Zero && len(c.Bars) == 0) {
		low -= air
	}
	return scale{low, high + air, float64(c.Height)}
}
