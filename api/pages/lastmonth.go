package pages

import (
	"context"
	"fmt"
	"slices"
	"time"

	"underkeep/api/view"
	"underkeep/store/site"
	field "underkeep/store/visit"
)

// lastMonth is what an owner reads of the last thirty days.
type lastMonth struct {
	Says   []string // whole sentences
	Alarms []pastAlarm
	Visits []pastVisit
	Calm   bool // nothing called anybody
}

type pastAlarm struct{ When, Lasted, Plain, Done string }

type pastVisit struct{ When, What, Who, Found string }

const (
	monthBack   = 30 * 24 * time.Hour
	dryBetween  = 6  // hours without rain that end a storm
	leastStorm  = 2. // mm; less is a shower
	mostToRead  = 8  // alarms
	hourNotOver = "It still holds."
)

// lastMonthOf sums up what was measured, what called people and who came.
func (p *pages) lastMonthOf(ctx context.Context, prop view.Property, who view.Principal) (lastMonth, error) {
	now, zone := p.Now(), zoneOf(prop.Property)
	to := now.Truncate(time.Hour)
	from := later(to.Add(-monthBack), installedAt(prop.Property, zone).Truncate(time.Hour))
	d := &drawer{ctx: ctx, source: p.Source, scope: who.Scope(), prop: prop, period: period{from: from, to: to, base: time.Hour, zone: zone}}
	if from.Before(to) {
		d.read(from)
	}
	var out lastMonth
	for _, says := range []string{d.airSentence(), d.waterSentence()} {
		if says != "" {
			out.Says = append(out.Says, says)
		}
	}
	if d.err != nil {
		return out, d.err
	}
	var err error
	if out.Alarms, err = p.pastAlarms(ctx, prop, who, from, now); err != nil {
		return out, err
	}
	out.Calm = len(out.Alarms) == 0
	out.Visits, err = p.pastVisits(ctx, prop, who, from, now)
	return out, err
}

// airSentence tells for how much of the time the air was as it should be. Hours
// without figures count neither way, and are told.
func (d *drawer) airSentence() string {
	sums, counts := make(map[int64]float64), make(map[int64]int)
	measured := false
	for _, point := range d.prop.Points {
		if point.Outdoors || !slices.Contains(point.Measures, site.RH) {
			continue
		}
		measured = true
		for at, v := range d.hourly(point.ID, site.RH) {
			sums[at] += v
			counts[at]++
		}
	}
	if !measured {
		return ""
	}
	high, low := d.prop.Limits.Value(site.HumidityHigh, "above"), d.prop.Limits.Value(site.HumidityDrift, "below")
	good := 0
	for at, n := range counts {
		if mean := sums[at] / float64(n); mean <= high && mean >= low {
			good++
		}
	}
	return airWords(good, len(counts), int(d.period.to.Sub(d.period.from).Hours()))
}

func airWords(good, known, hours int) string {
	if known == 0 {
		return "We have no figures of the air under the house for this time."
	}
	says := fmt.Sprintf("The air under the house was as it should be for %d %% of the time.", 100*good/known)
	if good == known {
		says = "The air under the house was as it should be all the time."
	}
	if missing := hours - known; missing > 0 {
		says += " For " + plural(missing, "hour") + " we have no figures; they are not counted as good."
	}
	return says
}

// waterSentence counts storms and how often the pump ran.
func (d *drawer) waterSentence() string {
	gauge, pump := false, false
	rain := make([]float64, int(d.period.to.Sub(d.period.from).Hours())+1)
	runs := 0
	for _, point := range d.prop.Points {
		if slices.Contains(point.Measures, site.Rain) && !gauge {
			gauge = true
			for _, b := range d.buckets(point.ID, site.Rain, time.Hour) {
				rain[int(b.At.Sub(d.period.from).Hours())] = b.Sum
			}
		}
		if slices.Contains(point.Measures, site.PumpRun) {
			pump = true
			for _, b := range d.buckets(point.ID, site.PumpRun, 24*time.Hour) {
				runs += b.Count
			}
		}
	}
	ran := "the pump ran " + plural(runs, "time") + "."
	switch storms, mm := stormsIn(rain); {
	case gauge && storms > 0:
		says := fmt.Sprintf("%s brought %s of rain", plural(storms, "storm"), show(site.Rain, mm, d.prop.Units))
		if pump {
			return says + "; " + ran
		}
		return says + "."
	case gauge && pump:
		return "There was no storm; " + ran
	case gauge:
		return "There was no storm."
	case pump:
		return "T" + ran[1:]
	}
	return ""
}

// stormsIn counts storms in hourly depths of rain and sums up what they brought.
func stormsIn(mm []float64) (storms int, total float64) {
	depth, dry := 0.0, 0
	for i, v := range append(slices.Clone(mm), make([]float64, dryBetween)...) {
		if v > 0 {
			depth, dry = depth+v, 0
			continue
		}
		if dry++; dry == dryBetween || i == len(mm)+dryBetween-1 {
			if depth >= leastStorm {
				storms, total = storms+1, total+depth
			}
			depth = 0
		}
	}
	return storms, total
}

func (p *pages) pastAlarms(ctx context.Context, prop view.Property, who view.Principal, from, now time.Time) ([]pastAlarm, error) {
	found, _, err := p.Source.Alarms(ctx, who.Scope(), view.AlarmQuery{Property: prop.ID, From: from, To: now, Limit: 100})
	if err != nil {
		return nil, err
	}
	var out []pastAlarm
	zone := zoneOf(prop.Property)
	for _, a := range found {
		if a.Priority <= 1 || a.SuppressedBy != "" || !a.WithdrawnAt.IsZero() || len(out) == mostToRead {
			continue
		}
		shown := pastAlarm{When: a.RaisedAt.In(zone).Format("January 2"), Plain: wordsFor(a.Condition).Plain, Lasted: hourNotOver, Done: "Nobody has answered yet."}
		if !a.ClearedAt.IsZero() {
			shown.Lasted = "It was over after " + lasting(a.ClearedAt.Sub(a.RaisedAt)) + "."
		}
		if a.AcknowledgedBy != "" {
			shown.Done = "Seen by " + a.AcknowledgedBy + "."
		}
		out = append(out, shown)
	}
	return out, nil
}

func (p *pages) pastVisits(ctx context.Context, prop view.Property, who view.Principal, from, now time.Time) ([]pastVisit, error) {
	if !who.May(view.ReadVisits) {
		return nil, nil
	}
	found, _, err := p.Source.Visits(ctx, who.Scope(), view.VisitQuery{Property: prop.ID, States: []field.State{field.Done}, Limit: 10})
	if err != nil {
		return nil, err
	}
	var out []pastVisit
	for _, v := range found {
		if v.EndedAt.Before(from) || v.EndedAt.After(now) {
			continue
		}
		out = append(out, pastVisit{v.EndedAt.In(zoneOf(prop.Property)).Format("January 2"), visitPlain[v.Kind], firstText(v.EndedBy, v.AssignedName), v.Findings})
	}
	return out, nil
}

// visitPlain says to an owner what somebody came for.
var visitPlain = map[field.Kind]string{
	field.HandOver: "the installation was handed over", field.Service: "regular service", field.Repair: "a repair",
	field.Inspection: "a look under the house", field.SensorChecking: "the sensors were checked", field.PumpTesting: "the pump was tested",
}
