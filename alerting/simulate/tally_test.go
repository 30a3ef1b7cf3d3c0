package simulate_test

import (
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// row is the score of one scenario.
type row struct {
	runs, due, called, causes, causeRight int
	callOne, callBad                      int
	delays, known                         []float64 // min
	years                                 float64
	falseLow, falseHigh, border           int
	unmet                                 int // runs in which the definition was never met for sure
}

// line is the score of one condition over all runs.
type line struct {
	certain, called, marginal, marginalCalled, raised, border, wrong int
	delays                                                           []float64
}

// tally gathers outcomes.
type tally struct {
	rows     map[string]*row
	lines    map[site.Condition]*line
	missed   []string
	falses   []string
	causes   []string
	readings int
	took     time.Duration
}

func newTally() *tally {
	return &tally{rows: map[string]*row{}, lines: map[site.Condition]*line{}}
}

func (t *tally) row(name string) *row {
	if t.rows[name] == nil {
		t.rows[name] = &row{}
	}
	return t.rows[name]
}

func (t *tally) line(c site.Condition) *line {
	if t.lines[c] == nil {
		t.lines[c] = &line{}
	}
	return t.lines[c]
}

func (t *tally) add(o *outcome, seed uint64) {
	r := t.row(o.sc.name)
	r.runs++
	r.years += o.years
	t.readings, t.took = t.readings+o.readings, t.took+o.took
	for _, a := range o.alarms {
		if a.SuppressedBy == "" {
			t.alarm(o, r, a, seed)
		}
	}
	for _, e := range o.strict {
		t.episode(o, e, seed)
	}
	for c, allowed := range o.sc.expect {
		t.expected(o, r, c, allowed, seed)
	}
	if o.sc.callOne {
		r.callOne++
		if calls := o.callOuts(); len(calls) != 1 {
			r.callBad++
			t.falses = append(t.falses, fmt.Sprintf("%s seed %d: call-outs:\n    %s", o.sc.name, seed, strings.Join(calls, "\n    ")))
		}
	}
}

func (t *tally) alarm(o *outcome, r *row, a alerting.Alarm, seed uint64) {
	l := t.line(a.Condition)
	l.raised++
	switch o.judge(a) {
	case borderline:
		l.border++
		r.border++
	case wrong:
		l.wrong++
		if a.Priority >= alerting.Medium {
			r.falseHigh++
		} else {
			r.falseLow++
		}
		t.falses = append(t.falses, fmt.Sprintf("%s seed %d: %s", o.sc.name, seed, o.describe(a)))
	}
}

// episode counts a true episode: for certain where it is also met with every
// limit tightened by what sensors may be off, else as marginal.
func (t *tally) episode(o *outcome, e episode, seed uint64) {
	l := t.line(e.condition)
	a, ok := o.answer(e)
	sure := slices.ContainsFunc(o.certain, func(x episode) bool {
		return x.condition == e.condition && x.point == e.point && x.from <= e.to && x.to >= e.from
	})
	if !sure {
		l.marginal++
		if ok {
			l.marginalCalled++
		}
		return
	}
	l.certain++
	if !ok {
		t.missed = append(t.missed, fmt.Sprintf("%s seed %d: %s %s at %s until %s", o.sc.name, seed, e.condition, e.point,
			o.truth.At(e.from).Format("2006-01-02T15:04"), o.truth.At(min(e.to, o.truth.Len()-1)).Format("01-02T15:04")))
		return
	}
	l.called++
	l.delays = append(l.delays, a.RaisedAt.Sub(o.truth.At(e.from)).Minutes())
}

// expected scores one condition that the fault has to raise.
func (t *tally) expected(o *outcome, r *row, c site.Condition, allowed []string, seed uint64) {
	first := -1
	for i, e := range o.certain {
		if e.condition == c && e.to > o.minute(o.faultAt) && (first < 0 || e.from < o.certain[first].from) {
			first = i
		}
	}
	if first < 0 {
		r.unmet++
		return
	}
	r.due++
	e := o.certain[first]
	for _, s := range o.strict { // the delay counts from the definition as it stands
		if s.condition == c && s.point == e.point && s.from <= e.to && s.to >= e.from {
			e = s
			break
		}
	}
	a, ok := o.answer(e)
	if !ok {
		return
	}
	r.called++
	r.delays = append(r.delays, a.RaisedAt.Sub(o.truth.At(e.from)).Minutes())
	r.known = append(r.known, a.KnownAt.Sub(o.truth.At(e.from)).Minutes())
	if a.SuppressedBy != "" {
		return // told to nobody, so nothing to be right about
	}
	r.causes++
	if len(a.Causes) > 0 && slices.Contains(allowed, a.Causes[0].Cause) {
		r.causeRight++
		return
	}
	t.causes = append(t.causes, fmt.Sprintf("%s seed %d: want %s: %s", o.sc.name, seed, strings.Join(allowed, "|"), o.describe(a)))
}

func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return 0
	}
	x = slices.Sorted(slices.Values(x))
	return x[int(q*float64(len(x)-1)+0.5)]
}

// totals over all scenarios.
type totals struct {
	recall, cause, delay, falseHigh, falseAny, years, oneCall float64
	due                                                       int
}

func (t *tally) totals() totals {
	var s totals
	var called, causes, causeRight, high, low, one, bad int
	var delays []float64
	for _, r := range t.rows {
		s.due += r.due
		called += r.called
		causes += r.causes
		causeRight += r.causeRight
		high += r.falseHigh
		low += r.falseLow
		one += r.callOne
		bad += r.callBad
		s.years += r.years
		delays = append(delays, r.delays...)
	}
	s.recall = float64(called) / float64(max(s.due, 1))
	s.cause = float64(causeRight) / float64(max(causes, 1))
	s.delay = quantile(delays, 0.5)
	s.falseHigh = float64(high) / s.years
	s.falseAny = float64(high+low) / s.years
	s.oneCall = float64(one-bad) / float64(max(one, 1))
	return s
}

func (t *tally) report(order []scenario) string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 1, ' ', 0)
	fmt.Fprintln(w, "scenario\truns\tyears\tdue\tcalled\tunmet\tdelay p50\tp90\tknown p50\tcause\tfalse ≥med\tfalse low\tborder\tone call")
	for i := range order {
		if r := t.rows[order[i].name]; r != nil {
			fmt.Fprintf(w, "%s\t%d\t%.1f\t%d\t%d\t%d\t%.1f\t%.1f\t%.1f\t%d/%d\t%d\t%d\t%d\t%d/%d\n", order[i].name, r.runs, r.years, r.due, r.called, r.unmet,
				quantile(r.delays, 0.5), quantile(r.delays, 0.9), quantile(r.known, 0.5), r.causeRight, r.causes, r.falseHigh, r.falseLow, r.border, r.callOne-r.callBad, r.callOne)
		}
	}
	fmt.Fprintln(w, "\ncondition\tcertain\tcalled\tmarginal\tcalled\traised\tborder\tfalse\tdelay p50\tp90")
	for _, c := range site.Conditions() {
		if l := t.lines[c]; l != nil {
			fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%.1f\t%.1f\n", c, l.certain, l.called, l.marginal, l.marginalCalled, l.raised, l.border, l.wrong,
				quantile(l.delays, 0.5), quantile(l.delays, 0.9))
		}
	}
	w.Flush()
	s := t.totals()
	fmt.Fprintf(&b, "\nrecall %.3f of %d, first cause right %.3f, median delay %.1f min, false alarms per property-year: %.2f medium or higher, %.2f of any priority; one call-out %.2f; %.1f property-years; %.0f readings/s\n",
		s.recall, s.due, s.cause, s.delay, s.falseHigh, s.falseAny, s.oneCall, s.years, float64(t.readings)/t.took.Seconds())
	return b.String()
}
