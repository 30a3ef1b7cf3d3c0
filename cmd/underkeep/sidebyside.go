package main

import (
	"fmt"
	"io"
	"path/filepath"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// sideBySide compares what a property's own limits raised with what others
// would have.
type sideBySide struct {
	limits string // the file's name
	a, b   []alerting.Alarm
	end    time.Time // until when an alarm that stands is counted
}

// tallied is what one condition came to under one set of limits. Alarms that
// were suppressed by design, which nobody would have been told of, are left out.
type tallied struct {
	alarms, serious int // serious: of medium priority or higher
	hours           float64
}

func (t *tallied) add(a *alerting.Alarm, end time.Time) {
	t.alarms++
	if a.Priority >= alerting.Medium {
		t.serious++
	}
	if !a.ClearedAt.IsZero() {
		end = a.ClearedAt
	}
	t.hours += max(0, end.Sub(a.RaisedAt).Hours())
}

// tally sums up one condition, or with "" all of them.
func tallyOf(alarms []alerting.Alarm, c site.Condition, end time.Time) tallied {
	var t tallied
	for i := range alarms {
		if a := &alarms[i]; a.SuppressedBy == "" && (c == "" || a.Condition == c) {
			t.add(a, end)
		}
	}
	return t
}

const sideBySideRow = "%-22s %7d %9.1f %8d  | %7d %9.1f %8d   %s\n"

// writeSideBySide prints a row for each condition that either raised. Write
// errors show when the caller flushes.
func writeSideBySide(w io.Writer, s sideBySide) {
	fmt.Fprintf(w, "%-22s %-26s  | %s\n", "", "as described", "with "+filepath.Base(s.limits))
	fmt.Fprintf(w, "%-22s %7s %9s %8s  | %7s %9s %8s   %s\n", "condition", "alarms", "hours in", "medium+", "alarms", "hours in", "medium+", "first difference (UTC)")
	for _, c := range site.Conditions() {
		a, b := tallyOf(s.a, c, s.end), tallyOf(s.b, c, s.end)
		if a.alarms+b.alarms > 0 {
			fmt.Fprintf(w, sideBySideRow, c, a.alarms, a.hours, a.serious, b.alarms, b.hours, b.serious, s.firstDifference(c))
		}
	}
	a, b := tallyOf(s.a, "", s.end), tallyOf(s.b, "", s.end)
	fmt.Fprintf(w, sideBySideRow, "all", a.alarms, a.hours, a.serious, b.alarms, b.hours, b.serious, s.firstDifference(""))
	fmt.Fprintf(w, "\nmedium+: of medium priority or higher. Alarms suppressed by design are not counted;\n"+
		"an alarm that stands is counted until %s.\n", s.end.UTC().Format(time.RFC3339))
}

// firstDifference is the earliest alarm of a condition (with "" of any) that
// only one side has, or that went on differently.
func (s *sideBySide) firstDifference(c site.Condition) string {
	at, what := time.Time{}, "none"
	consider := func(side, other []alerting.Alarm, only string) {
		for i := range side {
			a := &side[i]
			if a.SuppressedBy != "" || c != "" && a.Condition != c || !at.IsZero() && !a.RaisedAt.Before(at) {
				continue
			}
			if how := differs(a, other, only); how != "" {
				at, what = a.RaisedAt, fmt.Sprintf("%s %s", a.RaisedAt.UTC().Format("2006-01-02 15:04"), how)
			}
		}
	}
	consider(s.a, s.b, "only as described")
	consider(s.b, s.a, "only with the limits")
	return what
}

// differs says how an alarm differs from its counterpart on the other side; ""
// where it does not.
func differs(a *alerting.Alarm, other []alerting.Alarm, only string) string {
	for i := range other {
		o := &other[i]
		if o.SuppressedBy != "" || o.Condition != a.Condition || o.Point != a.Point || !o.RaisedAt.Equal(a.RaisedAt) {
			continue
		}
		switch {
		case o.Priority != a.Priority:
			return "another priority"
		case !o.ClearedAt.Equal(a.ClearedAt):
			return "another end"
		}
		return ""
	}
	return only
}
