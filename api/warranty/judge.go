package warranty

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/store/site"
)

// judge is one verdict in the making.
type judge struct {
	in     *Input
	cal    *calendar
	pieces []span // of days
	cells  []cell
	hours  int
	sure   []span // left out in every case
	maybe  []span
	out    *Verdict

	results   [][]Result // by piece
	supplies  map[string]*supply
	heardAt   []span
	hourSteps []moldStep
}

// Judge gives the verdict on a period. It fails only for an input that makes no
// sense; a period about which nothing is known is not proven.
func Judge(in Input) (Verdict, error) {
	cal, err := newCalendar(&in)
	if err != nil {
		return Verdict{}, fmt.Errorf("judge %s: %w", in.Property, err)
	}
	v := Verdict{
		Property: in.Property, Zone: in.Versions[0].Property.Timezone, Days: len(cal.dates), Outcome: NotProven,
		Pieces: []Piece{}, Points: []Point{}, Excursions: []Excursion{}, Gaps: []Gap{}, Exclusions: []Exclusion{}, Late: []Late{},
		Alarms: []Alarm{}, Visits: []Visit{}, Checks: []Check{}, Outages: []Outage{}, Unsealed: []string{}, Cautions: Cautions(),
	}
	v.From, v.To = in.From.In(cal.zone).UTC(), in.To.In(cal.zone).UTC()
	if len(cal.dates) == 0 {
		v.Summary = "No finished day since the installation lies in this period, so there is nothing to judge."
		return v, nil
	}
	v.From = timeOf(cal.from())
	in.Checks = witnessedChecks(cal, in.Checks)
	in.Visits, in.Outages = slices.Clone(in.Visits), slices.Clone(in.Outages)
	bearing(cal, &in)
	j := &judge{in: &in, cal: cal, pieces: cal.pieces(), out: &v, supplies: map[string]*supply{}}
	j.results = make([][]Result, len(j.pieces))
	j.hours = int((cal.to()-cal.from()-1)/µsHour) + 1
	j.exclude()
	j.cells = cal.cells(j.sure, j.maybe)
	j.judgeAir()
	j.judgeWood()
	j.judgePower()
	j.judgeService()
	j.judgeWork()
	j.attach()
	j.conclude()
	return v, nil
}

// bearing is what bears on the period, in order of time: of each sensor the last
// check before it, of each kind the last visit before it, and what is of its own
// time. Whoever brings more, as the store does that knows all, comes to the same
// verdict as whoever holds the sealed days of just these.
func bearing(cal *calendar, in *Input) {
	from, to := timeOf(cal.from()), timeOf(cal.to())
	slices.SortStableFunc(in.Checks, func(a, b Check) int { return cmp.Or(a.from().Compare(b.from()), strings.Compare(a.ID, b.ID)) })
	slices.SortStableFunc(in.Visits, func(a, b Visit) int { return cmp.Or(a.From.Compare(b.From), strings.Compare(a.ID, b.ID)) })
	in.Checks = lastBefore(in.Checks, from, to, func(c Check) (time.Time, string) { return c.from(), c.Point + " " + c.Serial })
	in.Visits = lastBefore(in.Visits, from, to, func(v Visit) (time.Time, string) { return v.From, v.Kind + " " + v.By })
	in.Outages = slices.DeleteFunc(in.Outages, func(o Outage) bool { return !o.From.Before(to) || !o.To.After(from) })
	slices.SortStableFunc(in.Outages, func(a, b Outage) int { return cmp.Or(a.From.Compare(b.From), strings.Compare(a.ID, b.ID)) })
}

// witnessedChecks are the checks, each with the time from which it counts. The
// seal delay is that of the first day that is there.
func witnessedChecks(cal *calendar, checks []Check) []Check {
	delay := int64(0)
	for day, until := range cal.witnessed {
		if until > 0 { // else the day is not there
			delay = until - cal.bounds[day+1]
			break
		}
	}
	out := slices.Clone(checks)
	for i := range out {
		c := &out[i]
		end := site.DateOf(c.At.In(cal.zone)).AddDays(1).In(cal.zone)
		c.CountsFrom = time.Time{}
		if c.RecordedAt.UnixMicro() >= end.UnixMicro()+delay && !c.RecordedAt.IsZero() {
			c.CountsFrom = c.RecordedAt
		}
	}
	return out
}

// lastBefore keeps what is in [from, to), and of what is before the last of each
// kind. The list is in order of time.
func lastBefore[T any](list []T, from, to time.Time, of func(T) (time.Time, string)) []T {
	last := map[string]int{}
	for i, x := range list {
		if at, kind := of(x); at.Before(from) {
			last[kind] = i
		}
	}
	var out []T
	for i, x := range list {
		if at, kind := of(x); at.Before(from) && last[kind] == i || !at.Before(from) && at.Before(to) {
			out = append(out, x)
		}
	}
	return out
}

// terms of a piece; nil where none were in force.
func (j *judge) terms(piece int) *Terms {
	i := j.cal.terms[j.pieces[piece].from]
	if i < 0 {
		return nil
	}
	return &j.in.Terms[i].Terms
}

// termsOn are the terms in force on a day.
func (j *judge) termsOn(day int) *Terms {
	if i := j.cal.terms[day]; i >= 0 {
		return &j.in.Terms[i].Terms
	}
	return nil
}

func (j *judge) add(piece int, r Result) { j.results[piece] = append(j.results[piece], r) }

// daySpan is a piece in time.
func (j *judge) time(days span) span { return span{j.cal.bounds[days.from], j.cal.bounds[days.to]} }

// points that measure q on some day of the period and for which f holds, by id.
func (j *judge) points(q site.Quantity, f func(*site.Point) bool) []string {
	var out []string
	for _, v := range slices.Compact(slices.Clone(j.cal.version)) {
		for i := range j.in.Versions[v].Property.Points {
			pt := &j.in.Versions[v].Property.Points[i]
			if pt.Has(q) && f(pt) && !slices.Contains(out, pt.ID) {
				out = append(out, pt.ID)
			}
		}
	}
	slices.Sort(out)
	return out
}

// on is the point as described on a day; nil where it is not.
func (j *judge) on(day int, id string) *site.Point {
	pt, ok := j.in.Versions[j.cal.version[day]].Property.Point(id)
	if !ok {
		return nil
	}
	return pt
}

// since is the first day from which the sensor at a point is described as it is
// on the given day; the installation for one that was always there.
func (j *judge) since(day int, id string) time.Time {
	pt := j.on(day, id)
	from := j.in.Versions[0].Property.Installed
	for v := j.cal.version[day]; v > 0; v-- {
		before, ok := j.in.Versions[v-1].Property.Point(id)
		if !ok || serial(before) != serial(pt) {
			from = j.in.Versions[v].From
			break
		}
	}
	return from.In(j.cal.zone)
}

func serial(pt *site.Point) string {
	if pt == nil || pt.Sensor == nil {
		return ""
	}
	return pt.Sensor.Serial
}

// attach adds what belongs to the period and decides nothing.
func (j *judge) attach() {
	within := func(from, to time.Time) bool {
		return from.UnixMicro() < j.cal.to() && (to.IsZero() || to.UnixMicro() >= j.cal.from())
	}
	for _, a := range j.in.Alarms {
		end := time.Time{}
		if a.ClearedAt != nil {
			end = *a.ClearedAt
		}
		if within(a.RaisedAt, end) {
			j.out.Alarms = append(j.out.Alarms, a)
		}
	}
	slices.SortStableFunc(j.out.Alarms, func(a, b Alarm) int {
		if c := a.RaisedAt.Compare(b.RaisedAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	for _, x := range j.in.Visits {
		if within(x.From, x.To) {
			j.out.Visits = append(j.out.Visits, x)
		}
	}
	j.out.Checks = append(j.out.Checks, j.in.Checks...)
	for _, o := range j.in.Outages {
		if within(o.From, o.To) {
			j.out.Outages = append(j.out.Outages, o)
		}
	}
	sealed := map[site.Date]bool{}
	for _, d := range j.in.Days {
		sealed[d.Date] = d.Sealed
	}
	for _, d := range j.cal.dates {
		if !sealed[d] {
			j.out.Unsealed = append(j.out.Unsealed, d.String())
		}
	}
}

// alarmsOver lists the witnessed alarms of conditions at a point that held at some moment
// of a stretch.
func (j *judge) alarmsOver(at span, point string, conditions ...site.Condition) []string {
	out := []string{}
	for _, a := range j.in.Alarms {
		if a.Withdrawn || a.Unwitnessed || a.Point != point && a.Point != "" || !slices.Contains(conditions, site.Condition(a.Condition)) {
			continue
		}
		if a.RaisedAt.UnixMicro() < at.to && (a.ClearedAt == nil || a.ClearedAt.UnixMicro() > at.from) {
			out = append(out, a.ID)
		}
	}
	slices.Sort(out)
	return out
}

// conclude sums the results up.
func (j *judge) conclude() {
	v := j.out
	v.Outcome = ""
	order := TermNames()
	for i, days := range j.pieces {
		at := j.time(days)
		p := Piece{From: timeOf(at.from), To: timeOf(at.to), Outcome: NotProven, Results: j.results[i]}
		if t := j.terms(i); t != nil {
			p.Terms, p.Version, p.Title, p.Outcome = t.Name, t.Version, t.Title, ""
			if t.Humidity != nil {
				p.LimitRHPct = t.Humidity.LimitRHPct
			}
		}
		if p.Results == nil {
			p.Results = []Result{}
		}
		slices.SortStableFunc(p.Results, func(a, b Result) int { return slices.Index(order, a.Term) - slices.Index(order, b.Term) })
		for _, r := range p.Results {
			if r.Applies {
				p.Outcome = worse(p.Outcome, r.Outcome)
			}
		}
		if p.Outcome == "" {
			p.Outcome = NotProven
		}
		v.Pieces = append(v.Pieces, p)
		v.Outcome = worse(v.Outcome, p.Outcome)
	}
	v.Rule = j.rule()
	v.Summary = summary(v)
}

func (j *judge) rule() string {
	var probs []string
	for i := range j.pieces {
		if t := j.terms(i); t != nil {
			text := fmt.Sprintf("%g %% (k = %.3f)", roundTo(100*t.Probability, 0.01), K(t.Probability))
			if !slices.Contains(probs, text) {
				probs = append(probs, text)
			}
		}
	}
	return "Guarded acceptance and guarded rejection after JCGM 106:2012, with a one-sided conformance probability of " + strings.Join(probs, " and ") +
		": a reading is above a limit when it exceeds it by more than k·u, below it when it stays under it by at least k·u, and undecided in between. " +
		"What is undecided, and time that is not known, counts as good in the best case and as bad in the worst; a term is kept when the worst case meets it, " +
		"not kept when the best case does not, and not proven otherwise."
}
