package warranty

import (
	"math"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// judgeWood judges the moisture of wood where it is measured.
func (j *judge) judgeWood() {
	for _, id := range j.points(site.WoodMoisture, func(pt *site.Point) bool { return !pt.Outdoors }) {
		s := newScan(j.cal, j.hours)
		for day := range s.limits {
			pt, t := j.on(day, id), j.termsOn(day)
			l := &s.limits[day]
			l.skip = pt == nil || !pt.Has(site.WoodMoisture)
			l.sure, l.nominal, l.good = math.Inf(1), math.Inf(1), math.Inf(1)
			if t != nil && t.Wood != nil {
				guard := guardOf(t, accuracy(pt, site.WoodMoisture))
				l.sure, l.nominal, l.good = t.Wood.LimitPct+guard, t.Wood.LimitPct, t.Wood.LimitPct-guard
			}
		}
		j.tellLate(id, site.WoodMoisture, j.in.source(j.cal, id, site.WoodMoisture).walk(j.cal, j.cells, s))
		s.finish()
		for i := range j.pieces {
			if t := j.terms(i); t != nil && t.Wood != nil {
				j.add(i, j.woodResult(id, t, &s.found[i], ""))
			}
		}
	}
}

func (j *judge) woodResult(id string, t *Terms, f *pieceFigures, how string) Result {
	r := Result{Term: TermWood, Point: id, Party: ByCompany, Applies: true, Unit: "h", Limit: t.Wood.LongestExcursion.Hours(),
		Best: hoursOf(f.best.length), Worst: hoursOf(f.worst.length)}
	r.Outcome = atMost(r.Best, r.Worst, r.Limit)
	at := f.worst.at
	if r.Outcome == NotKept {
		at = f.best.at
	}
	if at.length() > 0 {
		r.Behind = &Behind{From: timeOf(at.from), To: timeOf(at.to), Alarms: j.alarmsOver(at, id, site.WoodWet)}
	}
	r.Reason, r.Changed = woodWords(r, t.Wood.LimitPct, how, hoursOf(f.noGap.length), hoursOf(f.noDoubt.length))
	return r
}

// Wood of which nothing is known is between dry and fibre saturation, where
// wood in humid air ends (Wood Handbook, FPL-GTR-190, chapter 4: about 30 %).
const (
	dryWoodPct       = 0.0
	saturatedWoodPct = 30.0
)

// woodFromAir judges wood by the equilibrium with its air, lagged as alarms do
// it, where no wood is measured in the whole period. It begins anywhere between
// dry and saturated, and goes on through time that is left out.
func (j *judge) woodFromAir(points []*airPoint) {
	if len(j.points(site.WoodMoisture, func(pt *site.Point) bool { return !pt.Outdoors })) > 0 {
		return
	}
	for _, p := range points {
		j.woodAt(p)
	}
}

// lag is the wood of one point, in bounds.
type lag struct{ low, high float64 }

// step moves the bounds towards an equilibrium by one hour.
func (l *lag) step(low, high float64) {
	l.low = low + (l.low-low)*woodHour
	l.high = high + (l.high-high)*woodHour
}

var woodHour = math.Exp(-float64(time.Hour) / float64(air.DefaultWoodTimeConstant))

func (j *judge) woodAt(p *airPoint) {
	f := j.woodWays(p, []int{asIs, uncharged})
	open := false
	for i := range j.pieces {
		if t := j.terms(i); t != nil && t.Wood != nil {
			r := &f.found[i]
			open = open || atMost(hoursOf(r.best.length), hoursOf(r.worst.length), t.Wood.LongestExcursion.Hours()) == NotProven
		}
	}
	if open { // what would have settled it
		other := j.woodWays(p, []int{noGap, noDoubt})
		for i := range f.found {
			f.found[i].noGap, f.found[i].noDoubt = other.found[i].noGap, other.found[i].noDoubt
		}
	}
	for i := range j.pieces {
		if t := j.terms(i); t != nil && t.Wood != nil {
			j.add(i, j.woodResult(p.id, t, &f.found[i], "by the equilibrium with its air"))
		}
	}
}

// woodWays follows the wood of one point through the period, reading the record in
// some ways.
func (j *judge) woodWays(p *airPoint, ways []int) *scan {
	f := &scan{pieces: j.pieces}
	lags := [tracks]lag{}
	for i := range lags {
		lags[i] = lag{dryWoodPct, saturatedWoodPct}
	}
	apart := false
	guard := make([]float64, len(j.cal.dates))
	for day := range guard {
		if t := j.termsOn(day); t != nil {
			guard[day] = guardOf(t, emcLimitPct)
		}
	}
	for _, s := range j.steps() {
		c := cell{day: int32(s.day)}
		f.nextPiece(&c)
		t := j.termsOn(s.day)
		if t == nil || t.Wood == nil || p.limits[s.day].skip {
			continue
		}
		apart = apart || s.spared
		for _, how := range ways {
			if how == uncharged && !apart {
				lags[how] = lags[asIs]
				continue
			}
			if e, ok := j.envelope(place{air: p}, s, how); ok {
				was := lags[how].low
				lags[how].step(air.FastEMCPct(e.MaxTempC, e.MinRHPct), min(air.FastEMCPct(e.MinTempC, e.MaxRHPct), saturatedWoodPct))
				if how == uncharged && s.spared {
					lags[how].low = min(was, lags[how].low)
				}
			}
		}
		limit, guard := t.Wood.LimitPct, guard[s.day]
		from, to := s.from, s.from+s.counted
		sure := to
		if s.spared {
			sure = from // the best case leaves it out
		}
		mark(&f.best, lags[uncharged].low > limit+guard, from, sure)
		mark(&f.worst, lags[asIs].high > limit-guard, from, to)
		mark(&f.noGap, lags[noGap].high > limit-guard, from, to)
		mark(&f.noDoubt, lags[noDoubt].high > limit, from, to)
	}
	f.finish()
	return f
}

// mark adds a stretch that is beyond a limit; one that is not ends the run, be it
// as short as nothing.
func mark(r *run, beyond bool, from, to int64) {
	switch {
	case !beyond:
		r.end()
	case from < to:
		r.add(from, to)
	}
}
