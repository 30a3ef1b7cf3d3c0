package warranty

import (
	"math"
	"time"

	"underkeep/store/site"
)

const (
	// shortest is the shortest excursion or gap that is listed on its own; the
	// figures count every second.
	shortest = time.Hour
	// chartedByHour is the longest period that a chart shows hour by hour.
	chartedByHour = 40
)

// tellPoint adds what was found at one air point: months, trust, excursions,
// gaps, and the line of its chart.
func (j *judge) tellPoint(p *airPoint) {
	out := Point{Point: p.id, Months: j.monthFigures(p), Trust: j.trustFigures(p)}
	if len(j.cal.dates) <= chartedByHour {
		out.Line, out.Gap = j.hourLine(p), 2*time.Hour
	} else {
		out.Line, out.Gap = j.dayLine(p), 49*time.Hour
	}
	j.out.Points = append(j.out.Points, out)
	for _, e := range p.excursions {
		if e.at.length() < µs(shortest) {
			continue
		}
		j.out.Excursions = append(j.out.Excursions, Excursion{Point: p.id, From: timeOf(e.at.from), To: timeOf(e.at.to),
			SureHours: hoursOf(e.sure), Hours: hoursOf(e.at.length()), PeakPct: roundTo(e.peak, 0.001), PeakAt: timeOf(e.peakAt),
			Alarms: j.alarmsOver(e.at, p.id, site.HumidityHigh, site.HumidityDrift)})
	}
	for _, g := range p.gaps {
		if g.length() >= µs(shortest) {
			j.out.Gaps = append(j.out.Gaps, Gap{Point: p.id, From: timeOf(g.from), To: timeOf(g.to), Hours: hoursOf(g.length())})
		}
	}
}

func (j *judge) monthFigures(p *airPoint) []MonthFigure {
	out := make([]MonthFigure, len(j.cal.months))
	sums := make([]dayFigures, len(out))
	for m := range sums {
		sums[m].low, sums[m].high = math.Inf(1), math.Inf(-1)
	}
	for day := range p.days {
		d, m := &p.days[day], &sums[j.cal.month[day]]
		m.beyond.plus(d.beyond)
		m.counted += d.counted
		m.known += d.known
		m.spared += d.spared
		m.sum += d.sum
		m.low, m.high = min(m.low, d.low), max(m.high, d.high)
	}
	for i := range out {
		out[i] = monthFigure(monthName(j.cal.months[i]), &sums[i])
	}
	return out
}

func monthFigure(name string, m *dayFigures) MonthFigure {
	gap := m.counted - m.known
	f := MonthFigure{Month: name, AboveHours: hoursOf(m.beyond.best), WorstHours: hoursOf(m.beyond.worst), GapHours: hoursOf(gap),
		OpenHours: hoursOf(m.beyond.worst - gap - m.beyond.best)}
	if m.counted > 0 {
		f.CoveragePct = roundTo(100*m.share(), 1e-6)
	}
	if m.known > 0 {
		low, mean, high := roundTo(m.low, 0.001), roundTo(m.sum/float64(m.known), 0.001), roundTo(m.high, 0.001)
		f.LowPct, f.MeanPct, f.HighPct = &low, &mean, &high
	}
	return f
}

// trustFigures names the days on which the offset changes, and the beginning
// and the end of what grows in between.
func (j *judge) trustFigures(p *airPoint) []TrustFigure {
	var out []TrustFigure
	last := len(p.trust) - 1
	for day, t := range p.trust {
		if day > 0 && day < last && t.OffsetPct == p.trust[day-1].OffsetPct && !(t.StandardPct < p.trust[day-1].StandardPct) && sameVersion(j.cal, day) {
			continue
		}
		f := TrustFigure{From: j.cal.dates[day].String(), OffsetPct: roundTo(t.OffsetPct, 1e-4), StandardPct: roundTo(t.StandardPct, 1e-4)}
		if terms := j.termsOn(day); terms != nil {
			f.GuardPct = roundTo(K(terms.Probability)*t.StandardPct, 1e-4)
		}
		if n := len(out); n > 0 && day == last && out[n-1].OffsetPct == f.OffsetPct && out[n-1].StandardPct == f.StandardPct && out[n-1].GuardPct == f.GuardPct {
			continue
		}
		out = append(out, f)
	}
	return out
}

func sameVersion(c *calendar, day int) bool {
	return c.version[day] == c.version[day-1] && c.terms[day] == c.terms[day-1]
}

func (j *judge) hourLine(p *airPoint) []Sample {
	var out []Sample
	for h, known := range p.byHour.covered {
		if known == 0 {
			continue
		}
		mean := p.byHour.sum[h] / float64(known)
		out = append(out, Sample{At: timeOf(j.cal.from() + int64(h)*µsHour + µsHour/2), Low: mean, Mean: mean, High: mean})
	}
	return out
}

func (j *judge) dayLine(p *airPoint) []Sample {
	var out []Sample
	for day := range p.days {
		d := &p.days[day]
		if d.known == 0 {
			continue
		}
		at := (j.cal.bounds[day] + j.cal.bounds[day+1]) / 2
		out = append(out, Sample{At: timeOf(at), Low: d.low, Mean: d.sum / float64(d.known), High: d.high})
	}
	return out
}
