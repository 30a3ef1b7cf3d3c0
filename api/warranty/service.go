package warranty

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/store/site"
)

// judgeService judges how long nobody who counts came. What was before the
// period is known only where the record tells of it: without it the best case
// is somebody on the first day, the worst nobody since the installation.
func (j *judge) judgeService() {
	installed := j.in.Versions[0].Property.Installed.In(j.cal.zone).UnixMicro()
	for i, days := range j.pieces {
		t := j.terms(i)
		if t == nil || t.Service == nil {
			continue
		}
		at := j.time(days)
		r := Result{Term: TermService, Party: ByCompany, Applies: true, Unit: "d", Limit: t.Service.Interval.Hours() / 24}
		best, worst := at.from, installed
		var bestGap, worstGap span
		longer := func(s *span, from, to int64) {
			if to-from > s.length() {
				*s = span{from, to}
			}
		}
		for _, v := range j.in.Visits {
			when := v.From.UnixMicro()
			if when >= at.to || !slices.Contains(t.Service.Visits, v.Kind) || !slices.Contains(t.Service.By, v.By) {
				continue
			}
			if when >= at.from {
				longer(&bestGap, best, when)
				longer(&worstGap, worst, when)
				best = when
			} else {
				best = when // the last one before the period is on record
			}
			worst = when
		}
		longer(&bestGap, best, at.to)
		longer(&worstGap, worst, at.to)
		r.Best, r.Worst = hoursOf(bestGap.length())/24, hoursOf(worstGap.length())/24
		r.Outcome = atMost(r.Best, r.Worst, r.Limit)
		decides := worstGap
		if r.Outcome == NotKept {
			decides = bestGap
		}
		r.Behind = &Behind{From: timeOf(decides.from), To: timeOf(decides.to)}
		r.Reason, r.Changed = serviceWords(r, t.Service)
		j.add(i, r)
	}
}

// soon is how near to a change of the installation a visit explains it.
const soon = 7 * 24 * time.Hour

// judgeWork judges who touched what: work on record by somebody who may not is
// a breach; a sensor that was exchanged while no visit is on record leaves open
// who did it.
func (j *judge) judgeWork() {
	for i, days := range j.pieces {
		t := j.terms(i)
		if t == nil || len(t.Work) == 0 {
			continue
		}
		at := j.time(days)
		r := Result{Term: TermWork, Party: ByOwner, Applies: true, Outcome: Kept}
		var wrong, open []string
		for _, v := range j.in.Visits {
			if when := v.From.UnixMicro(); when < at.from || when >= at.to {
				continue
			}
			for _, part := range v.Work {
				if who, bound := t.Work[part]; bound && !slices.Contains(who, v.By) {
					wrong = append(wrong, fmt.Sprintf("%s worked on by %s at visit %s", part, v.By, v.ID))
				}
			}
		}
		if _, bound := t.Work["sensors"]; bound {
			open = j.exchanged(days)
		}
		r.Best, r.Worst = float64(len(wrong)), float64(len(wrong)+len(open))
		switch {
		case len(wrong) > 0:
			r.Outcome, r.Reason = NotKept, "On record: "+strings.Join(wrong, "; ")+"."
			r.Changed = "Work by those who may do it, or none."
		case len(open) > 0:
			r.Outcome, r.Reason = NotProven, strings.Join(open, "; ")+"."
			r.Changed = "A visit on record within a week of it, by somebody who may."
		default:
			r.Reason = "No work is on record by anybody who may not do it, and no sensor was exchanged without a visit."
		}
		j.add(i, r)
	}
}

// exchanged lists sensors whose serial number changes in the period without a
// visit near the day.
func (j *judge) exchanged(days span) []string {
	var out []string
	for day := max(1, days.from); day < days.to; day++ {
		before, now := j.cal.version[day-1], j.cal.version[day]
		if before == now {
			continue
		}
		when := timeOf(j.cal.bounds[day])
		if slices.ContainsFunc(j.in.Visits, func(v Visit) bool { return v.From.Sub(when).Abs() <= soon }) {
			continue
		}
		for i := range j.in.Versions[now].Property.Points {
			pt := &j.in.Versions[now].Property.Points[i]
			if old, ok := j.in.Versions[before].Property.Point(pt.ID); ok && changedSerial(old, pt) {
				out = append(out, fmt.Sprintf("the sensor at %s was exchanged by %s (%s for %s) and no visit is on record", pt.ID, j.cal.dates[day], serial(pt), serial(old)))
			}
		}
	}
	return out
}

func changedSerial(a, b *site.Point) bool {
	return serial(a) != "" && serial(b) != "" && serial(a) != serial(b)
}
