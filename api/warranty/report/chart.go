package report

import (
	"fmt"
	"math"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"underkeep/api/warranty"
)

const (
	chartHeight = 42.0
	axisWidth   = 10.0
	hatchStep   = 2.0
)

// frame is the place of a chart on the page.
type frame struct {
	p          *paper
	x, y, w, h float64
	from, to   time.Time
	low, high  float64
}

func (f *frame) at(t time.Time) float64 {
	share := float64(t.Sub(f.from)) / float64(f.to.Sub(f.from))
	return f.x + f.w*math.Min(math.Max(share, 0), 1)
}

func (f *frame) level(v float64) float64 { return f.y + f.h*(1-(v-f.low)/(f.high-f.low)) }

// charts draws one a point: corrected humidity, the limit, gaps hatched,
// times above shaded, visits marked.
func (p *paper) charts() {
	p.heading("Humidity")
	p.text("Line: mean, with the lowest and highest of each day as a band where days are drawn. Dashed: the limit. Hatched: not known. Shaded: above or not certainly below the limit. Grey: left out. v: a visit.")
	for _, pt := range p.in.Verdict.Points {
		if p.GetY() > pageHeight-margin-chartHeight-14 {
			p.AddPage()
		}
		p.chart(pt)
	}
}

func (p *paper) chart(pt warranty.Point) {
	v := p.in.Verdict
	p.font("B", small)
	p.CellFormat(inner, lineHeight, clean(pt.Point), "", 1, "L", false, 0, "")
	f := &frame{p: p, x: margin + axisWidth, y: p.GetY() + 1, w: inner - axisWidth, h: chartHeight - 8, from: v.From, to: v.To}
	f.fit(pt, limits(v))
	for _, e := range v.Exclusions {
		f.shade(e.From, e.To, 232, 232, 232)
	}
	for _, e := range v.Excursions {
		if e.Point == pt.Point {
			f.shade(e.From, e.To, 246, 214, 190)
		}
	}
	for _, g := range v.Gaps {
		if g.Point == pt.Point {
			f.hatch(g.From, g.To)
		}
	}
	f.axes()
	f.band(pt)
	f.line(pt)
	for _, l := range limits(v) {
		f.limit(l)
	}
	for _, x := range v.Visits {
		f.visit(x.From)
	}
	p.SetXY(margin, f.y+f.h+6)
}

// limit of a piece of the period.
type limit struct {
	from, to time.Time
	pct      float64
}

// limits are read from the terms by name of the result: a piece without a
// humidity term has none.
func limits(v warranty.Verdict) []limit {
	var out []limit
	for _, p := range v.Pieces {
		if p.LimitRHPct > 0 {
			out = append(out, limit{p.From, p.To, p.LimitRHPct})
		}
	}
	return out
}

func (f *frame) fit(pt warranty.Point, ls []limit) {
	f.low, f.high = math.Inf(1), math.Inf(-1)
	for _, s := range pt.Line {
		f.low, f.high = math.Min(f.low, s.Low), math.Max(f.high, s.High)
	}
	for _, l := range ls {
		f.low, f.high = math.Min(f.low, l.pct), math.Max(f.high, l.pct)
	}
	if math.IsInf(f.low, 0) {
		f.low, f.high = 0, 100
	}
	f.low, f.high = 10*math.Floor((f.low-1)/10), 10*math.Ceil((f.high+1)/10)
}

func (f *frame) shade(from, to time.Time, r, g, b int) {
	if a, z := f.at(from), f.at(to); z > a {
		f.p.SetFillColor(r, g, b)
		f.p.Rect(a, f.y, math.Max(z-a, 0.3), f.h, "F")
	}
}

// hatch draws slanted lines within a stretch.
func (f *frame) hatch(from, to time.Time) {
	a, z := f.at(from), f.at(to)
	if z <= a {
		return
	}
	f.p.ClipRect(a, f.y, math.Max(z-a, 0.5), f.h, false)
	f.p.SetDrawColor(120, 120, 120)
	f.p.SetLineWidth(0.15)
	for x := a - f.h; x < z; x += hatchStep {
		f.p.Line(x, f.y+f.h, x+f.h, f.y)
	}
	f.p.ClipEnd()
	f.p.SetDrawColor(0, 0, 0)
	f.p.SetLineWidth(0.2)
}

func (f *frame) axes() {
	p := f.p
	p.font("", 6.5)
	p.SetDrawColor(200, 200, 200)
	for v := f.low; v <= f.high; v += 10 {
		y := f.level(v)
		p.Line(f.x, y, f.x+f.w, y)
		p.SetXY(margin, y-1.6)
		p.CellFormat(axisWidth-1, 3.2, fmt.Sprintf("%.0f %%", v), "", 0, "R", false, 0, "")
	}
	for _, t := range f.ticks() {
		x := f.at(t.at)
		p.Line(x, f.y, x, f.y+f.h)
		p.SetXY(x-9, f.y+f.h+0.6)
		p.CellFormat(18, 3.2, t.text, "", 0, "C", false, 0, "")
	}
	p.SetDrawColor(0, 0, 0)
}

type tick struct {
	at   time.Time
	text string
}

// ticks are first days of months, or days where the period is short, in the
// calendar of the house.
func (f *frame) ticks() []tick {
	zone := f.p.in.Zone
	days := int(f.to.Sub(f.from).Hours()/24) + 1
	y, m, d := f.from.In(zone).Date()
	step := func(i int) time.Time { return time.Date(y, m, d+i*max(1, days/8), 0, 0, 0, 0, zone) }
	layout := "Jan 2"
	if days > 62 {
		every := time.Month(max(1, days/30/12))
		step = func(i int) time.Time { return time.Date(y, m+time.Month(i)*every, 1, 0, 0, 0, 0, zone) }
		layout = "Jan 06"
	}
	var out []tick
	for i := 0; i < 60; i++ {
		t := step(i)
		if !t.Before(f.to) {
			break
		}
		if !t.Before(f.from) {
			out = append(out, tick{t, t.Format(layout)})
		}
	}
	return out
}

// runs cuts the line where nothing was known for longer than it may bridge.
func runs(pt warranty.Point) [][]warranty.Sample {
	var out [][]warranty.Sample
	start := 0
	for i := 1; i <= len(pt.Line); i++ {
		if i == len(pt.Line) || pt.Line[i].At.Sub(pt.Line[i-1].At) > pt.Gap {
			out = append(out, pt.Line[start:i])
			start = i
		}
	}
	return out
}

func (f *frame) band(pt warranty.Point) {
	f.p.SetFillColor(200, 215, 226)
	for _, run := range runs(pt) {
		if len(run) < 2 {
			continue
		}
		shape := make([]fpdf.PointType, 0, 2*len(run))
		for _, s := range run {
			shape = append(shape, fpdf.PointType{X: f.at(s.At), Y: f.level(s.High)})
		}
		for i := len(run) - 1; i >= 0; i-- {
			shape = append(shape, fpdf.PointType{X: f.at(run[i].At), Y: f.level(run[i].Low)})
		}
		f.p.Polygon(shape, "F")
	}
}

func (f *frame) line(pt warranty.Point) {
	f.p.SetDrawColor(31, 86, 115)
	f.p.SetLineWidth(0.3)
	for _, run := range runs(pt) {
		if len(run) == 1 {
			f.p.Line(f.at(run[0].At)-0.4, f.level(run[0].Mean), f.at(run[0].At)+0.4, f.level(run[0].Mean))
			continue
		}
		if len(run) == 0 {
			continue
		}
		f.p.MoveTo(f.at(run[0].At), f.level(run[0].Mean))
		for _, s := range run[1:] {
			f.p.LineTo(f.at(s.At), f.level(s.Mean))
		}
		f.p.DrawPath("D")
	}
	f.p.SetDrawColor(0, 0, 0)
	f.p.SetLineWidth(0.2)
}

func (f *frame) limit(l limit) {
	p := f.p
	p.SetDrawColor(153, 71, 28)
	p.SetLineWidth(0.4)
	p.SetDashPattern([]float64{1.5, 1}, 0)
	p.Line(f.at(l.from), f.level(l.pct), f.at(l.to), f.level(l.pct))
	p.SetDashPattern(nil, 0)
	p.SetLineWidth(0.2)
	p.SetDrawColor(0, 0, 0)
}

func (f *frame) visit(at time.Time) {
	if at.Before(f.from) || !at.Before(f.to) {
		return
	}
	x := f.at(at)
	f.p.font("B", 6.5)
	f.p.Line(x, f.y, x, f.y+2)
	f.p.SetXY(x-2, f.y+1.6)
	f.p.CellFormat(4, 3, "v", "", 0, "C", false, 0, "")
}
