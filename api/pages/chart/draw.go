package chart

import (
	"fmt"
	"html/template"
	"sort"
	"strconv"
	"strings"
	"time"
)

// path writes coordinates as briefly as they can be read.
type path struct{ strings.Builder }

func (p *path) to(command byte, x, y float64) {
	p.WriteByte(command)
	p.WriteString(strconv.FormatFloat(x, 'f', 0, 64))
	p.WriteByte(' ')
	p.WriteString(strconv.FormatFloat(y, 'f', 1, 64))
}

// runs cuts the samples where the line must stop.
func (l Line) runs() [][]Sample {
	var out [][]Sample
	start := 0
	for i := 1; i <= len(l.Samples); i++ {
		if i == len(l.Samples) || l.Gap > 0 && l.Samples[i].At.Sub(l.Samples[i-1].At) > l.Gap {
			out = append(out, l.Samples[start:i])
			start = i
		}
	}
	return out
}

// at is the height of the line at a moment; false where it has stopped. Two
// sensors seldom report at the same minute.
func (l Line) at(t time.Time) (float64, bool) {
	i := sort.Search(len(l.Samples), func(i int) bool { return !l.Samples[i].At.Before(t) })
	switch {
	case i < len(l.Samples) && l.Samples[i].At.Equal(t):
		return l.Samples[i].Mean, true
	case i == 0 || i == len(l.Samples):
		return 0, false
	}
	a, b := l.Samples[i-1], l.Samples[i]
	apart := b.At.Sub(a.At)
	if l.Gap > 0 && apart > l.Gap {
		return 0, false
	}
	return a.Mean + (b.Mean-a.Mean)*float64(t.Sub(a.At))/float64(apart), true
}

func (c *Chart) drawLine(b *strings.Builder, l Line, s scale) {
	var line, band path
	spread := false
	for _, run := range l.runs() {
		if len(run) == 0 {
			continue
		}
		command := byte('M')
		for _, p := range run {
			line.to(command, c.x(p.At), s.y(p.Mean))
			command = 'L'
			spread = spread || p.High > p.Low
		}
		if len(run) == 1 { // a lone sample is a dot, not nothing
			line.WriteString("h3")
		}
		c.outline(&band, run, s)
	}
	if spread {
		fmt.Fprintf(b, `<path class="band s%d" d="%s"/>`, l.Style, band.String())
	}
	fmt.Fprintf(b, `<path class="line s%d" d="%s"/>`, l.Style, line.String())
}

// outline goes along the highs and back along the lows.
func (c *Chart) outline(band *path, run []Sample, s scale) {
	command := byte('M')
	for _, p := range run {
		band.to(command, c.x(p.At), s.y(p.High))
		command = 'L'
	}
	for i := len(run) - 1; i >= 0; i-- {
		band.to('L', c.x(run[i].At), s.y(run[i].Low))
	}
	band.WriteByte('Z')
}

// drawBetween shades the margin between two lines where both were measured.
func (c *Chart) drawBetween(b *strings.Builder, s scale) {
	if c.Between == nil {
		return
	}
	upper, lower := c.Lines[c.Between[0]], c.Lines[c.Between[1]]
	var both []Sample
	for _, p := range upper.Samples {
		if v, ok := lower.at(p.At); ok {
			both = append(both, Sample{At: p.At, High: p.Mean, Low: v})
		}
	}
	var above, under path
	for _, run := range (Line{Samples: both, Gap: upper.Gap}).runs() {
		for _, part := range bySign(run) {
			area := &above
			if part[len(part)/2].High < part[len(part)/2].Low {
				area = &under
			}
			c.outline(area, part, s)
		}
	}
	fmt.Fprintf(b, `<path class="between" d="%s"/>`, above.String())
	if under.Len() > 0 {
		fmt.Fprintf(b, `<path class="under" d="%s"/>`, under.String())
	}
}

// bySign cuts a run where the lines cross; parts share the sample at the cut,
// so that no sliver stays white.
func bySign(run []Sample) [][]Sample {
	var out [][]Sample
	start := 0
	for i := 1; i < len(run); i++ {
		if (run[i].High < run[i].Low) != (run[i-1].High < run[i-1].Low) {
			out = append(out, run[start:i])
			start = i
		}
	}
	return append(out, run[start:])
}

func (c *Chart) drawBars(b *strings.Builder, s scale) {
	if len(c.Bars) == 0 {
		return
	}
	var all path
	zero := s.y(0)
	for _, bar := range c.Bars {
		if bar.Value == 0 {
			continue
		}
		left, right := c.x(bar.At), c.x(bar.At.Add(bar.Width))
		all.to('M', left+1, zero)
		all.to('L', left+1, s.y(bar.Value))
		all.to('L', max(left+2, right-1), s.y(bar.Value))
		all.to('L', max(left+2, right-1), zero)
		all.WriteByte('Z')
	}
	fmt.Fprintf(b, `<path class="bars" d="%s"/>`, all.String())
}

func (c *Chart) drawBand(b *strings.Builder, s scale) {
	if c.Band == nil {
		return
	}
	top, bottom := max(0, s.y(c.Band.High)), min(s.height, s.y(c.Band.Low))
	if top < bottom {
		fmt.Fprintf(b, `<rect class="should" y="%.1f" width="%d" height="%.1f"/>`, top, width, bottom-top)
	}
}

func (c *Chart) drawGrid(b *strings.Builder, s scale) {
	var grid path
	for _, v := range ticks(s.low, s.high, 4) {
		grid.to('M', 0, s.y(v))
		grid.to('L', width, s.y(v))
	}
	for _, t := range c.times() {
		grid.to('M', c.x(t.at), 0)
		grid.to('L', c.x(t.at), float64(c.Height))
	}
	fmt.Fprintf(b, `<path class="grid" d="%s"/>`, grid.String())
	for _, l := range c.Limits {
		if s.shows(l) {
			fmt.Fprintf(b, `<path class="limit" d="M0 %.1fH%d"/>`, s.y(l.Value), width)
		}
	}
}

// drawMarks draws alarms as strips across the picture with their label on top.
func (c *Chart) drawMarks(b *strings.Builder) {
	for _, m := range c.Marks {
		from, to := c.clip(m.From), c.clip(m.To)
		if m.Moment && !m.From.Before(c.From) && m.From.Before(c.To) {
			fmt.Fprintf(b, `<rect class="visit" x="%.1f%%" width="2" height="%d"><title>%s</title></rect>`, from/10, c.Height, template.HTMLEscapeString(m.Title))
		}
		if m.Moment || from >= to {
			continue
		}
		fmt.Fprintf(b, `<rect class="stretch" x="%.1f%%" width="%.1f%%" height="%d"><title>%s</title></rect>`,
			from/10, max(0.3, (to-from)/10), c.Height, template.HTMLEscapeString(m.Title))
	}
}

func (c *Chart) clip(t time.Time) float64 { return min(width, max(0, c.x(t))) }

// drawGaps hatches the time in which no line has a sample.
func (c *Chart) drawGaps(b *strings.Builder) {
	if len(c.Lines) == 0 || c.Lines[0].Gap == 0 {
		return
	}
	for _, g := range c.gaps() {
		from, to := c.clip(g[0]), c.clip(g[1])
		fmt.Fprintf(b, `<rect x="%.1f%%" width="%.1f%%" height="%d" fill="url(#%s-h)"><title>No readings from %s to %s</title></rect>`,
			from/10, (to-from)/10, c.Height, c.ID, c.clock(g[0]), c.clock(g[1]))
	}
}

// gaps of the chart: stretches in which no line of it was measured.
func (c *Chart) gaps() [][2]time.Time {
	covered := make(map[time.Time]bool)
	gap := time.Duration(0)
	var order []time.Time
	for _, l := range c.Lines {
		gap = max(gap, l.Gap)
		for _, p := range l.Samples {
			if !covered[p.At] {
				covered[p.At] = true
				order = append(order, p.At)
			}
		}
	}
	return between(c.From, c.To, order, gap)
}

// drawWords puts limits, values and times at constant size over the picture.
func (c *Chart) drawWords(b *strings.Builder, s scale) {
	for _, v := range ticks(s.low, s.high, 4) {
		if y := s.y(v); y > 12 {
			fmt.Fprintf(b, `<text class="tick" x="3" y="%.0f">%s</text>`, y-3, template.HTMLEscapeString(c.format(v)))
		}
	}
	for _, l := range c.Limits {
		if !s.shows(l) {
			continue
		}
		fmt.Fprintf(b, `<text class="tick limit-name" x="99.5%%" y="%.0f" text-anchor="end">%s</text>`, max(11, s.y(l.Value)-3), template.HTMLEscapeString(l.Name))
	}
	for _, t := range c.times() {
		if x := c.x(t.at) / 10; x > 2 && x < 96 {
			fmt.Fprintf(b, `<text class="tick" x="%.1f%%" y="%d" text-anchor="middle">%s</text>`, x, c.Height+16, t.text)
		}
	}
	c.nameMarks(b)
}

// nameMarks steps down where labels would stand on each other.
func (c *Chart) nameMarks(b *strings.Builder) {
	last, level := -width*1.0, 0
	for _, m := range c.Marks {
		from, to := c.clip(m.From), c.clip(m.To)
		if m.Moment {
			to = from + 1
		}
		if from >= to || m.Moment && (m.From.Before(c.From) || !m.From.Before(c.To)) {
			continue
		}
		if level++; from-last > 50 || from < last-50 {
			level = 0
		}
		last = from
		fmt.Fprintf(b, `<text class="mark-name" x="%.1f%%" y="%d" dx="3">%s</text>`, min(97, from/10), 12+13*(level%5), template.HTMLEscapeString(m.Label))
	}
}

// hoverZones is how many stretches tell their values when pointed at.
const hoverZones = 48

// drawHover lays invisible zones over the picture whose titles browsers show
// under the pointer.
func (c *Chart) drawHover(b *strings.Builder) {
	step := c.To.Sub(c.From) / hoverZones
	for i := range hoverZones {
		from := c.From.Add(time.Duration(i) * step)
		text := c.valuesIn(from, from.Add(step))
		if text == "" {
			continue
		}
		fmt.Fprintf(b, `<rect class="zone" x="%.1f%%" width="2.1%%" height="%d"><title>%s
%s</title></rect>`, 100*float64(i)/hoverZones, c.Height, c.clock(from), template.HTMLEscapeString(text))
	}
}

func (c *Chart) valuesIn(from, to time.Time) string {
	var parts []string
	for _, l := range c.Lines {
		sum, n := 0.0, 0
		for _, p := range l.Samples {
			if !p.At.Before(from) && p.At.Before(to) {
				sum, n = sum+p.Mean, n+1
			}
		}
		if n > 0 {
			parts = append(parts, l.Name+" "+c.format(sum/float64(n)))
		}
	}
	for _, v := range c.Bars {
		if v.At.Before(to) && v.At.Add(v.Width).After(from) {
			parts = append(parts, c.format(v.Value))
			break
		}
	}
	return strings.Join(parts, ", ")
}

func (c *Chart) clock(t time.Time) string { return t.In(c.Zone).Format("Mon Jan 2 15:04") }
