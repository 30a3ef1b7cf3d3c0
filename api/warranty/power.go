package warranty

import (
	"slices"
	"time"

	"underkeep/store/site"
)

// supply is what the readings of one mains point say.
type supply struct {
	on, off, unknown []span
	sampled          bool // reports at an interval, not only on change
	late             late
}

// states collects stretches by value.
type states struct{ s *supply }

func (v states) known(_ *cell, from, to int64, value float64) {
	list := &v.s.on
	if value < 0.5 {
		list = &v.s.off
	}
	extend(list, from, to)
}

func (v states) unknown(_ *cell, from, to int64) { extend(&v.s.unknown, from, to) }

func extend(list *[]span, from, to int64) {
	if n := len(*list); n > 0 && (*list)[n-1].to == from {
		(*list)[n-1].to = to
		return
	}
	*list = append(*list, span{from, to})
}

// mains reads one mains point over the whole period, nothing left out.
func (j *judge) mains(id string) *supply {
	if s, ok := j.supplies[id]; ok {
		return s
	}
	s := j.readMains(id)
	j.supplies[id] = &s
	return &s
}

func (j *judge) readMains(id string) supply {
	var s supply
	for day := range j.cal.dates {
		if pt := j.on(day, id); pt != nil {
			s.sampled = pt.Every > 0
		}
	}
	src := j.in.source(j.cal, id, site.Mains)
	if !s.sampled {
		// It stands as long as the house is heard; without a report there was no
		// change.
		src.every = slices.Repeat([]int64{j.cal.to() - j.cal.from()}, len(j.cal.dates))
	}
	s.late = src.walk(j.cal, j.cal.cells(nil, nil), states{&s})
	if !s.sampled {
		heard := j.heard()
		s.unknown = union(append(s.unknown, without(union(append(slices.Clone(s.on), s.off...)), heard)...))
		s.on, s.off = common(s.on, heard), common(s.off, heard)
	}
	return s
}

// speaks is how long after a reading a house counts as heard.
const speaks = 30 * time.Minute

// heard is when the house was: some witnessed reading within the last half hour.
func (j *judge) heard() []span {
	if j.heardAt != nil {
		return j.heardAt
	}
	var all []span
	for i := range j.in.Series {
		s := &j.in.Series[i]
		var list []span
		day := 0
		for _, ch := range s.Chunks {
			for k, at := range ch.At {
				if at < j.cal.from() || at >= j.cal.to() {
					continue
				}
				for j.cal.bounds[day+1] <= at {
					day++
				}
				if v := ch.Values[k]; v != v || ch.Received[k] >= j.cal.witnessed[day] {
					continue
				}
				if n := len(list); n > 0 && list[n-1].to >= at {
					list[n-1].to = at + µs(speaks)
				} else {
					list = append(list, span{at, at + µs(speaks)})
				}
			}
		}
		all = append(all, list...)
	}
	j.heardAt = union(all)
	return j.heardAt
}

// judgePower judges what the owner undertook: power for dehumidifier and pump.
func (j *judge) judgePower() {
	for _, what := range []struct {
		term  string
		fits  func(*site.Point) bool
		limit func(*PowerTerms) time.Duration
		name  string
	}{
		{TermDehumidifier, forDehumidifier, func(p *PowerTerms) time.Duration { return p.DehumidifierOff }, "the dehumidifier"},
		{TermPump, forPump, func(p *PowerTerms) time.Duration { return p.PumpOff }, "the pump"},
	} {
		points := j.points(site.Mains, what.fits)
		for _, id := range points {
			j.tellLate(id, site.Mains, j.mains(id).late)
		}
		for i, days := range j.pieces {
			t := j.terms(i)
			if t == nil || t.Power == nil || what.limit(t.Power) == 0 {
				continue
			}
			if len(points) == 0 {
				j.add(i, Result{Term: what.term, Party: ByOwner, Unit: "h", Limit: what.limit(t.Power).Hours(),
					Reason: "No point of this property measures the power of " + what.name + ", so this term is not judged."})
				continue
			}
			for _, id := range points {
				j.add(i, j.powerResult(what.term, id, j.mains(id), j.time(days), what.limit(t.Power), what.name))
			}
		}
	}
}

// powerResult: the longest stretch without power, other than reported outages.
func (j *judge) powerResult(term, id string, s *supply, at span, limit time.Duration, name string) Result {
	off := clip(union(slices.Clone(s.off)), at.from, at.to)
	bad := clip(union(append(slices.Clone(s.off), s.unknown...)), at.from, at.to)
	best, bestLength := longestLess(off, j.noted(DuringOutage, false))
	worst, worstLength := longestLess(bad, j.noted(DuringOutage, true))
	r := Result{Term: term, Point: id, Party: ByOwner, Applies: true, Unit: "h", Limit: limit.Hours(),
		Best: hoursOf(bestLength), Worst: hoursOf(worstLength)}
	r.Outcome = atMost(r.Best, r.Worst, r.Limit)
	r.Reason, r.Changed = powerWords(r, name)
	decides := worst
	if r.Outcome == NotKept {
		decides = best
	}
	if decides.length() > 0 {
		r.Behind = &Behind{From: timeOf(decides.from), To: timeOf(decides.to), Alarms: j.alarmsOver(decides, id, site.MainsLost, site.GatewaySilent)}
	}
	return r
}

// longestLess is the stretch that is longest when what it has in common with
// others does not count, and how long it is then. They do not cut it in two: a
// minute's outage makes no two short stretches of a long one.
func longestLess(spans, others []span) (span, int64) {
	var longest span
	var most int64
	for _, s := range spans {
		if n := s.length() - total(common([]span{s}, others)); n > most {
			longest, most = s, n
		}
	}
	return longest, most
}

// noted are the exclusions of one kind, those that are sure or all.
func (j *judge) noted(kind string, sure bool) []span {
	var out []span
	for _, e := range j.out.Exclusions {
		if e.Kind == kind && (e.Sure || !sure) {
			out = append(out, span{e.From.UnixMicro(), e.To.UnixMicro()})
		}
	}
	return union(out)
}

func (j *judge) tellLate(point string, q site.Quantity, l late) {
	if l.count == 0 {
		return
	}
	for _, have := range j.out.Late {
		if have.Point == point && have.Quantity == q.String() {
			return
		}
	}
	j.out.Late = append(j.out.Late, Late{Point: point, Quantity: q.String(), Readings: l.count, From: timeOf(l.from), To: timeOf(l.to)})
}
