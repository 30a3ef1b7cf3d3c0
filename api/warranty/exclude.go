package warranty

import (
	"fmt"
	"slices"
	"time"

	"underkeep/store/site"
)

// exclude finds the time that counts neither way: drying out, visits, reported
// outages and power that was cut, each where the terms of the day say so.
func (j *judge) exclude() {
	cal := j.cal
	drying := clip([]span{{cal.from(), cal.drying}}, cal.from(), cal.to())
	for _, s := range drying {
		j.note(Commissioning, s, "the space dries out after the installation", true)
	}
	sure := slices.Clone(drying)
	sure = append(sure, j.visitsOut()...)
	outages, unsure := j.outagesOut()
	cuts, maybe := j.powerOut(union(slices.Concat(outages, unsure)))
	j.sure = union(slices.Concat(sure, outages, cuts))
	j.maybe = without(union(slices.Concat(unsure, maybe)), j.sure)
}

func (j *judge) note(kind string, s span, why string, sure bool) {
	j.out.Exclusions = append(j.out.Exclusions, Exclusion{Kind: kind, From: timeOf(s.from), To: timeOf(s.to), Why: why, Sure: sure})
}

// where the terms of the day allow an exclusion.
func (j *judge) allowed(f func(*ExclusionTerms) bool) []span {
	var out []span
	for i, days := range j.pieces {
		if t := j.terms(i); t != nil && f(&t.Exclusions) {
			out = append(out, j.time(days))
		}
	}
	return union(out)
}

// longestVisit bounds what a visit that nobody ended leaves out (common
// practice, no source: no one works longer than a day).
const longestVisit = 12 * time.Hour

func (j *judge) visitsOut() []span {
	var all []span
	for _, v := range j.in.Visits {
		to := v.To
		if to.IsZero() || to.Sub(v.From) > longestVisit {
			to = v.From.Add(longestVisit)
		}
		for _, s := range common([]span{{v.From.UnixMicro(), to.UnixMicro()}}, j.allowed(func(e *ExclusionTerms) bool { return e.Visits })) {
			j.note(DuringVisit, s, "visit "+v.ID, true)
			all = append(all, s)
		}
	}
	return union(all)
}

// outagesOut are the reported outages that count: reported in time, and not
// where a reading says that there was power. Where the house measures its power
// and is not heard, an outage may be left out but need not: pulling a plug and
// calling it an outage must not turn a verdict.
func (j *judge) outagesOut() (sure, maybe []span) {
	on, off, measured := j.powerKnown()
	for _, o := range j.in.Outages {
		day := max(0, lastFrom(len(j.cal.dates), func(i int) bool { return j.cal.bounds[i] <= o.From.UnixMicro() }))
		t := j.termsOn(day)
		if t == nil || !t.Exclusions.Outages || o.ReportedAt.Sub(o.From) > t.Exclusions.ReportWithin || !o.From.Before(o.To) {
			continue
		}
		why := "outage " + o.ID + ", reported " + o.ReportedAt.UTC().Format(time.DateOnly)
		for _, s := range without(clip([]span{{o.From.UnixMicro(), o.To.UnixMicro()}}, j.cal.from(), j.cal.to()), on) {
			if !measured {
				j.note(DuringOutage, s, why, true)
				sure = append(sure, s)
				continue
			}
			for _, k := range common([]span{s}, off) {
				j.note(DuringOutage, k, why+", confirmed by the readings", true)
				sure = append(sure, k)
			}
			for _, k := range without([]span{s}, off) {
				j.note(DuringOutage, k, why+", not confirmed: the house was not heard", false)
				maybe = append(maybe, k)
			}
		}
	}
	return union(sure), union(maybe)
}

// powerKnown is when some mains reading said that there was power, when that
// there was none, and whether any point measures it.
func (j *judge) powerKnown() (on, off []span, measured bool) {
	for _, id := range j.points(site.Mains, func(*site.Point) bool { return true }) {
		measured = true
		on = append(on, j.mains(id).on...)
		off = append(off, j.mains(id).off...)
	}
	on = union(on)
	return on, without(union(off), on), measured
}

func forDehumidifier(pt *site.Point) bool { return pt.Circuit == "" || pt.Circuit == "dehumidifier" }
func forPump(pt *site.Point) bool         { return pt.Circuit == "" || pt.Circuit == "pump" }

// powerOut is when the dehumidifier had no power though no outage was reported,
// and as long after it as the space may take to recover. Power that is reported
// only on change cannot say how long it was away, so it may be left out but
// need not.
func (j *judge) powerOut(outages []span) (sure, maybe []span) {
	for _, id := range j.points(site.Mains, forDehumidifier) {
		m := j.mains(id)
		for _, off := range without(union(m.off), outages) {
			for _, s := range common([]span{{off.from, off.to + min(off.length(), j.recovery(off.to))}}, j.allowed(func(e *ExclusionTerms) bool { return e.PowerCut })) {
				j.note(PowerCut, s, fmt.Sprintf("no power at %s for %.1f h, no outage reported; with time to recover", id, hoursOf(off.length())), m.sampled)
				if m.sampled {
					sure = append(sure, s)
				} else {
					maybe = append(maybe, s)
				}
			}
		}
	}
	return union(sure), union(maybe)
}

func (j *judge) recovery(at int64) int64 {
	day := max(0, lastFrom(len(j.cal.dates), func(i int) bool { return j.cal.bounds[i] <= at }))
	if t := j.termsOn(day); t != nil {
		return µs(t.Exclusions.Recovery)
	}
	return 0
}
