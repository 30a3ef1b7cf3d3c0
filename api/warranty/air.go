package warranty

import (
	"math"
	"slices"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// airPoint is one indoor air point with what its pass found.
type airPoint struct {
	id    string
	trust []Trust // by day
	*scan
	temp *hours
}

// judgeAir judges everything that rests on the air of the space.
func (j *judge) judgeAir() {
	ids := j.points(site.RH, func(pt *site.Point) bool { return !pt.Outdoors })
	var points []*airPoint
	for _, id := range ids {
		points = append(points, j.readAir(id))
	}
	for i, days := range j.pieces {
		t := j.terms(i)
		if t == nil {
			continue
		}
		if t.Humidity != nil && !slices.ContainsFunc(points, func(p *airPoint) bool { return applies(t.Humidity, p.id) }) {
			j.add(i, Result{Term: TermLongestExcursion, Party: ByCompany, Applies: true, Outcome: NotProven, Unit: "h",
				Limit: t.Humidity.LongestExcursion.Hours(), Worst: hoursOf(j.time(days).length()),
				Reason: "No point of this property measures the humidity that these terms are about."})
		}
		for _, p := range points {
			if t.Humidity != nil && applies(t.Humidity, p.id) {
				j.humidityResults(i, t, p)
			}
		}
	}
	for _, p := range points {
		j.tellPoint(p)
	}
	j.judgeMold(points)
	j.woodFromAir(points)
}

func applies(h *HumidityTerms, id string) bool {
	return len(h.Points) == 0 || slices.Contains(h.Points, id)
}

// readAir takes one point through the period in one pass of its humidity and
// one of its temperature.
func (j *judge) readAir(id string) *airPoint {
	p := &airPoint{id: id, trust: j.trust(id), scan: newScan(j.cal, j.hours), temp: newHours(j.hours, j.temperatures(id, site.AirTemp))}
	for day := range p.limits {
		pt, t := j.on(day, id), j.termsOn(day)
		l := &p.limits[day]
		l.offset, l.reach = p.trust[day].OffsetPct, humidityReach(0)
		if pt == nil || pt.Outdoors || !pt.Has(site.RH) {
			l.skip = true
			continue
		}
		l.sure, l.nominal, l.good = math.Inf(1), math.Inf(1), math.Inf(1)
		if t == nil {
			continue
		}
		guard := K(t.Probability) * p.trust[day].StandardPct
		l.reach = humidityReach(guard)
		if t.Humidity != nil {
			limit := t.Humidity.LimitRHPct + l.offset
			l.sure, l.nominal, l.good = limit+guard, limit, limit-guard
		}
	}
	j.tellLate(id, site.RH, j.in.source(j.cal, id, site.RH).walk(j.cal, j.cells, p.scan))
	p.finish()
	j.tellLate(id, site.AirTemp, j.in.source(j.cal, id, site.AirTemp).walk(j.cal, j.cells, p.temp))
	return p
}

// temperatures are how far the temperature at a point is trusted, by day.
func (j *judge) temperatures(id string, q site.Quantity) []reach {
	out := make([]reach, len(j.cal.dates))
	for day := range out {
		out[day] = temperatureReach(0)
		if t := j.termsOn(day); t != nil {
			out[day] = temperatureReach(guardOf(t, accuracy(j.on(day, id), q)))
		}
	}
	return out
}

// trust of the sensor at a point, by day.
func (j *judge) trust(id string) []Trust {
	var checks []Check
	for _, c := range j.in.Checks {
		if c.Point == id {
			checks = append(checks, c)
		}
	}
	out := make([]Trust, len(j.cal.dates))
	since, version := time.Time{}, -1
	for day := range out {
		if v := j.cal.version[day]; v != version {
			version, since = v, j.since(day, id)
		}
		var terms *SensorCheckTerms
		if t := j.termsOn(day); t != nil {
			terms = t.SensorCheck
		}
		out[day] = trustOn(timeOf(j.cal.bounds[day]), timeOf(j.cal.bounds[day+1]), j.on(day, id), since, checks, terms)
	}
	return out
}

// humidityResults are the four terms about humidity and data at one point.
func (j *judge) humidityResults(piece int, t *Terms, p *airPoint) {
	h := t.Humidity
	f := &p.found[piece]
	r := Result{Term: TermLongestExcursion, Point: p.id, Party: ByCompany, Applies: true, Unit: "h", Limit: h.LongestExcursion.Hours(),
		Best: hoursOf(f.best.length), Worst: hoursOf(f.worst.length)}
	r.Outcome = atMost(r.Best, r.Worst, r.Limit)
	decides := f.worst
	if r.Outcome == NotKept {
		decides = f.best
	}
	r.Behind = j.behind(p, decides.at)
	r.Reason, r.Changed = excursionWords(r, h.LimitRHPct, hoursOf(f.noGap.length), hoursOf(f.noDoubt.length))
	j.add(piece, r)
	j.add(piece, j.rollingResult(piece, t, p))
	if t.Data != nil {
		j.add(piece, j.coverageResult(piece, t, p))
		j.add(piece, j.gapResult(t, p, f.gap))
	}
}

// behind is a stretch with the reading that stands out most in it.
func (j *judge) behind(p *airPoint, at span) *Behind {
	if at.length() == 0 {
		return nil
	}
	b := &Behind{From: timeOf(at.from), To: timeOf(at.to), Alarms: j.alarmsOver(at, p.id, site.HumidityHigh, site.HumidityDrift, site.GatewaySilent, site.PointSilent)}
	peak := math.Inf(-1)
	for _, e := range p.excursions {
		if e.at.from < at.to && e.at.to > at.from && e.peak > peak {
			peak = e.peak
			moment := timeOf(e.peakAt)
			b.At, b.Corrected = &moment, roundTo(e.peak, 0.001)
			b.Guard = roundTo(j.guard(p, e.peakAt), 0.001)
		}
	}
	return b
}

func (j *judge) guard(p *airPoint, at int64) float64 {
	return p.limits[max(0, lastFrom(len(j.cal.dates), func(i int) bool { return j.cal.bounds[i] <= at }))].reach.guard
}

// rollingResult: hours above in the worst run of days that ends in the piece.
func (j *judge) rollingResult(piece int, t *Terms, p *airPoint) Result {
	h, days := t.Humidity, j.pieces[piece]
	r := Result{Term: TermAbovePerYear, Point: p.id, Party: ByCompany, Applies: true, Unit: "h", Limit: h.AbovePerYear.Hours()}
	var sum, top cases
	var bestEnd, worstEnd int64
	for day := int64(0); day < days.to; day++ {
		sum.plus(p.days[day].beyond)
		if drop := day - int64(h.RollingDays); drop >= 0 {
			sum.plus(negative(p.days[drop].beyond))
		}
		if day < days.from {
			continue
		}
		if sum.best > top.best {
			top.best, bestEnd = sum.best, day+1
		}
		if sum.worst > top.worst {
			top.worst, worstEnd = sum.worst, day+1
		}
		top.noGap, top.noDoubt = max(top.noGap, sum.noGap), max(top.noDoubt, sum.noDoubt)
	}
	r.Best, r.Worst = hoursOf(top.best), hoursOf(top.worst)
	r.Outcome = atMost(r.Best, r.Worst, r.Limit)
	end := worstEnd
	if r.Outcome == NotKept {
		end = bestEnd
	}
	if end > 0 {
		r.Behind = j.behind(p, j.time(span{max(0, end-int64(h.RollingDays)), end}))
	}
	r.Reason, r.Changed = rollingWords(r, h, hoursOf(top.noGap), hoursOf(top.noDoubt))
	return r
}

func negative(c cases) cases { return cases{-c.best, -c.worst, -c.noGap, -c.noDoubt} }

// coverageResult: the calendar month of the piece of which most is missing. Time
// that is left out is not missing. Too little is no breach of anything; it leaves
// the month without proof.
func (j *judge) coverageResult(piece int, t *Terms, p *airPoint) Result {
	r := Result{Term: TermCoverage, Point: p.id, Party: byData, Applies: true, Unit: "%", Limit: t.Data.LeastCoveragePct, Best: 100, Worst: 100, Outcome: Kept}
	least, at := 2.0, -1
	for m := range j.cal.months {
		sum := j.monthSum(piece, p, m)
		if sum.counted == 0 {
			continue
		}
		if share := sum.share(); share < least {
			least, at = share, m
		}
	}
	if at < 0 {
		r.Reason = "All of this time is left out, so nothing had to be known."
		return r
	}
	r.Best, r.Worst = roundTo(100*least, 1e-6), roundTo(100*least, 1e-6)
	if 100*least < r.Limit-tie {
		r.Outcome = NotProven
	}
	r.Reason, r.Changed = coverageWords(r, monthName(j.cal.months[at]))
	return r
}

func (j *judge) monthSum(piece int, p *airPoint, m int) dayFigures {
	var sum dayFigures
	for day := j.pieces[piece].from; day < j.pieces[piece].to; day++ {
		if j.cal.month[day] == m {
			sum.known += p.days[day].known
			sum.counted += p.days[day].counted
			sum.spared += p.days[day].spared
		}
	}
	return sum
}

// share of the time that is not missing. What is left out stays in the whole:
// were it taken off, more left out could make a share smaller, and losing the
// proof of an outage could mend it.
func (d *dayFigures) share() float64 {
	return float64(d.known+d.spared) / float64(d.counted+d.spared)
}

func (j *judge) gapResult(t *Terms, p *airPoint, gap longest) Result {
	r := Result{Term: TermLongestGap, Point: p.id, Party: byData, Applies: true, Unit: "h", Limit: t.Data.LongestGap.Hours(),
		Best: hoursOf(gap.length), Worst: hoursOf(gap.length), Outcome: Kept}
	if r.Worst > r.Limit+tie {
		r.Outcome = NotProven
	}
	if gap.length > 0 {
		r.Behind = &Behind{From: timeOf(gap.at.from), To: timeOf(gap.at.to), Alarms: j.alarmsOver(gap.at, p.id, site.GatewaySilent, site.PointSilent)}
	}
	r.Reason, r.Changed = gapWords(r)
	return r
}

// guardOf a limit ±a of another quantity than humidity.
func guardOf(t *Terms, a float64) float64 { return K(t.Probability) * air.StandardFromLimit(a) }
