package warranty

import (
	"strings"
	"testing"
	"time"

	"underkeep/store/site"
)

// powered is a house with a mains point that reports every five minutes, or on
// change only.
func powered(every time.Duration) site.Property {
	p := house(1)
	p.Points = append(p.Points, site.Point{ID: "panel", Measures: []site.Quantity{site.Mains}, Every: every})
	return p
}

// humidFor makes the air humid for some hours from a moment on.
func humidFor(from time.Time, hours float64) func(time.Time) float64 {
	return func(at time.Time) float64 {
		if !at.Before(from) && at.Before(from.Add(time.Duration(hours*float64(time.Hour)))) {
			return 75
		}
		return 50
	}
}

func offFor(from time.Time, hours float64) func(time.Time) float64 {
	return func(at time.Time) float64 {
		if !at.Before(from) && at.Before(from.Add(time.Duration(hours*float64(time.Hour)))) {
			return 0
		}
		return 1
	}
}

// TestPowerCut: 80 h without power and without a report break the owner's part
// (24 h), and leave those 80 h and 24 h to recover out of the humidity, so that
// of 110 humid hours 6 remain.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	r := newRecord(powered(everyMin), day(2026, 2, 1), day(2026, 3, 1))
	from := r.at(2026, 2, 5, 8, 0)
	r.air(humidFor(from, 110)).fill("panel", site.Mains, everyMin, offFor(from, 80))
	v := judged(t, r.Input)
	want(t, result(t, v, TermDehumidifier, "panel"), NotKept, 80, 80)
	want(t, result(t, v, TermLongestExcursion, "north-bay"), Kept, 6, 6)
	if v.Outcome != NotKept || len(v.Exclusions) != 1 || v.Exclusions[0].Kind != PowerCut || !v.Exclusions[0].Sure {
		t.Errorf("%s, %+v", v.Outcome, v.Exclusions)
	}
}

// TestPowerOnChangeOnly may be left out but need not: 110 humid hours are
// between 6 and 110.
func TestPowerOnChangeOnly(t *testing.T) {
	t.Parallel()
	r := newRecord(powered(0), day(2026, 2, 1), day(2026, 3, 1))
	from := r.at(2026, 2, 5, 8, 0)
	r.air(humidFor(from, 110))
	moments := []int64{r.at(2026, 2, 1, 0, 0).UnixMicro(), from.UnixMicro(), from.Add(80 * time.Hour).UnixMicro()}
	r.Series = append(r.Series, Series{Point: "panel", Quantity: site.Mains, Chunks: []Chunk{{At: moments, Received: moments, Values: []float64{1, 0, 1}}}})
	v := judged(t, r.Input)
	want(t, result(t, v, TermDehumidifier, "panel"), NotKept, 80, 80)
	want(t, result(t, v, TermLongestExcursion, "north-bay"), NotProven, 6, 110)
}

// TestReportedOutage: confirmed by the readings it is left out and no breach of
// the owner's; where the house was silent it may be left out but need not, for
// either side: whoever pulls a plug could report it as an outage; where
// a reading says that there was power it is not; reported too late it does not
// count.
func TestReportedOutage(t *testing.T) {
	t.Parallel()
	build := func(report time.Duration) (*record, time.Time) {
		r := newRecord(powered(everyMin), day(2026, 2, 1), day(2026, 3, 1))
		from := r.at(2026, 2, 5, 8, 0)
		r.Outages = []Outage{{ID: "o1", From: from, To: from.Add(80 * time.Hour), ReportedAt: from.Add(report)}}
		return r, from
	}
	r, from := build(10 * 24 * time.Hour)
	r.air(humidFor(from, 80)).fill("panel", site.Mains, everyMin, offFor(from, 80))
	v := judged(t, r.Input)
	want(t, result(t, v, TermDehumidifier, "panel"), Kept, 0, 0)
	want(t, result(t, v, TermLongestExcursion, "north-bay"), Kept, 0, 0)

	r, from = build(10 * 24 * time.Hour)
	dark := missing(from, 80*12, 50)
	r.air(dark).fill("panel", site.Mains, everyMin, missing(from, 80*12, 1))
	v = judged(t, r.Input)
	want(t, result(t, v, TermDehumidifier, "panel"), NotProven, 0, 80)
	want(t, result(t, v, TermLongestExcursion, "north-bay"), NotProven, 0, 80)

	r, from = build(10 * 24 * time.Hour)
	r.air(humidFor(from, 80)).fill("panel", site.Mains, everyMin, constant(1))
	want(t, result(t, judged(t, r.Input), TermLongestExcursion, "north-bay"), NotKept, 80, 80)

	r, from = build(15 * 24 * time.Hour)
	r.air(humidFor(from, 80)).fill("panel", site.Mains, everyMin, constant(1))
	r.Series = r.Series[:2]
	r.Versions[0].Property = house(1) // nothing measures the power
	want(t, result(t, judged(t, r.Input), TermLongestExcursion, "north-bay"), NotKept, 80, 80)
}

// TestVisitCountsNeitherWay: three hours with the hatch open.
func TestVisitCountsNeitherWay(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 2, 1), day(2026, 3, 1))
	from := r.at(2026, 2, 5, 8, 0)
	r.air(humidFor(from, 74))
	r.Visits = []Visit{{ID: "v1", Kind: "service", By: ByCompany, From: from.Add(time.Hour), To: from.Add(4 * time.Hour)}}
	v := judged(t, r.Input)
	want(t, result(t, v, TermLongestExcursion, "north-bay"), Kept, 71, 71)
	r.Visits[0].To = time.Time{} // nobody signed off: half a day and no more
	want(t, result(t, judged(t, r.Input), TermLongestExcursion, "north-bay"), Kept, 62, 62)
}

// TestServiceInterval: 400 days are allowed.
func TestServiceInterval(t *testing.T) {
	t.Parallel()
	visit := func(d site.Date, by string) Visit {
		at := d.In(newYork)
		return Visit{ID: "v", Kind: "service", By: by, From: at, To: at.Add(time.Hour)}
	}
	for _, c := range []struct {
		name        string
		from, to    site.Date
		visits      []Visit
		want        Outcome
		best, worst float64
	}{
		{"from the installation", day(2026, 1, 1), day(2027, 2, 5), nil, Kept, 400, 400},
		{"a day longer", day(2026, 1, 1), day(2027, 2, 6), nil, NotKept, 401, 401},
		{"a visit between", day(2026, 1, 1), day(2027, 2, 6), []Visit{visit(day(2026, 7, 1), ByCompany)}, Kept, 220 + 1.0/24, 220 + 1.0/24},
		{"by somebody else", day(2026, 1, 1), day(2027, 2, 6), []Visit{visit(day(2026, 7, 1), ByOthers)}, NotKept, 401, 401},
		{"a later period", day(2026, 12, 1), day(2027, 3, 1), nil, NotProven, 90, 424},
		{"with the visit before on record", day(2026, 12, 1), day(2027, 3, 1), []Visit{visit(day(2026, 7, 1), ByCompany)}, Kept, 243 + 1.0/24, 243 + 1.0/24},
	} {
		r := newRecord(house(1), c.from, c.to)
		r.Visits = c.visits
		got := result(t, judged(t, r.Input), TermService, "")
		t.Log(c.name)
		want(t, got, c.want, c.best, c.worst)
	}
}

func TestWorkByOthers(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 2, 1), day(2026, 3, 1)).air(constant(50))
	at := r.at(2026, 2, 5, 8, 0)
	r.Visits = []Visit{{ID: "v1", Kind: "repair", By: ByOwner, From: at, To: at.Add(time.Hour), Work: []string{"pump"}}}
	if got := result(t, judged(t, r.Input), TermWork, ""); got.Outcome != Kept {
		t.Errorf("the owner may work on the pump: %+v", got)
	}
	r.Visits[0].Work = []string{"pump", "liner"}
	if got := result(t, judged(t, r.Input), TermWork, ""); got.Outcome != NotKept || !strings.Contains(got.Reason, "liner worked on by owner") {
		t.Errorf("%+v", got)
	}
	r.Visits = nil
	later := house(1)
	later.Points = []site.Point{later.Points[0]}
	s := *later.Points[0].Sensor
	s.Serial = "B42"
	later.Points[0].Sensor = &s
	r.Versions = append(r.Versions, Version{From: day(2026, 2, 20), Property: later})
	if got := result(t, judged(t, r.Input), TermWork, ""); got.Outcome != NotProven || !strings.Contains(got.Reason, "B42 for A17") {
		t.Errorf("%+v", got)
	}
	r.Visits = []Visit{{ID: "v2", Kind: "repair", By: ByCompany, From: r.at(2026, 2, 18, 8, 0), To: r.at(2026, 2, 18, 9, 0), Work: []string{"sensors"}}}
	if got := result(t, judged(t, r.Input), TermWork, ""); got.Outcome != Kept {
		t.Errorf("%+v", got)
	}
}

// TestMoldAndWoodGoOnThroughAnOutage: 60 days at 95 %RH, in which the readings
// confirm a reported outage, then dry air. What grew and got wet in them is there
// when time counts again, so nothing is proven; nor is it the company's breach.
// Without the report it is. Wood takes days to dry and counts from then on.
func TestMoldAndWoodGoOnThroughAnOutage(t *testing.T) {
	t.Parallel()
	r := newRecord(powered(everyMin), day(2026, 2, 1), day(2026, 6, 1))
	terms := &r.Terms[0].Terms
	terms.Exclusions.PowerCut = false
	terms.Mold.Limit, terms.Wood.LongestExcursion = 1, 24*time.Hour
	from := r.at(2026, 2, 5, 8, 0)
	const days = 60
	r.air(func(at time.Time) float64 {
		if !at.Before(from) && at.Before(from.AddDate(0, 0, days)) {
			return 95
		}
		return 50
	}).fill("panel", site.Mains, everyMin, offFor(from, days*24))
	r.Outages = []Outage{{ID: "o1", From: from, To: from.Add(days * 24 * time.Hour), ReportedAt: from.Add(time.Hour)}}
	spared := judged(t, r.Input)
	r.Outages = nil
	charged := judged(t, r.Input)
	for _, term := range []string{TermMold, TermWood} {
		a, b := result(t, spared, term, "north-bay"), result(t, charged, term, "north-bay")
		if a.Outcome != NotProven || b.Outcome != NotKept || a.Best >= b.Best || a.Worst <= a.Limit {
			t.Errorf("%s: left out %s (%g to %g of %g), charged %s (%g to %g)", term, a.Outcome, a.Best, a.Worst, a.Limit, b.Outcome, b.Best, b.Worst)
		}
		if term == TermMold && (a.Worst > b.Worst || b.Worst-a.Worst > 0.05) {
			t.Errorf("the mold stood still or grew on: %g left out, %g charged", a.Worst, b.Worst)
		}
	}
}

// TestGoodReadingEndsAnExcursion in time that is left out, too: 40 humid hours, a
// visit of four with dry air in its second hour, 40 humid hours.
func TestGoodReadingEndsAnExcursion(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 2, 1), day(2026, 3, 1))
	from := r.at(2026, 2, 5, 8, 0)
	visit := from.Add(40 * time.Hour)
	humid := humidFor(from, 84)
	r.air(func(at time.Time) float64 {
		if !at.Before(visit.Add(time.Hour)) && at.Before(visit.Add(2*time.Hour)) {
			return 50
		}
		return humid(at)
	})
	r.Visits = []Visit{{ID: "v1", Kind: "service", By: ByCompany, From: visit, To: visit.Add(4 * time.Hour)}}
	v := judged(t, r.Input)
	want(t, result(t, v, TermLongestExcursion, "north-bay"), Kept, 40, 40)
	want(t, result(t, v, TermAbovePerYear, "north-bay"), Kept, 80, 80)
}

// TestCoverageWithTimeLeftOut: of April's 720 h an outage of 240 is left out, and
// 60 of the others are missing: 660 of 720 are known or left out.
func TestCoverageWithTimeLeftOut(t *testing.T) {
	t.Parallel()
	r := newRecord(powered(everyMin), day(2026, 4, 1), day(2026, 5, 1))
	from := r.at(2026, 4, 5, 8, 0)
	r.Terms[0].Terms.Data = &DataTerms{LeastCoveragePct: 90, LongestGap: 100 * time.Hour}
	r.Outages = []Outage{{ID: "o1", From: from, To: from.Add(240 * time.Hour), ReportedAt: from.Add(time.Hour)}}
	r.air(missing(r.at(2026, 4, 20, 0, 0), 60*12, 50)).fill("panel", site.Mains, everyMin, offFor(from, 240))
	want(t, result(t, judged(t, r.Input), TermCoverage, "north-bay"), Kept, 100*660.0/720, 100*660.0/720)
}

// TestAnOutageDoesNotCutInTwo: 40 h without power, of which an hour in the middle
// is a reported outage, are 39 on end and not two times 19.5.
func TestAnOutageDoesNotCutInTwo(t *testing.T) {
	t.Parallel()
	r := newRecord(powered(everyMin), day(2026, 2, 1), day(2026, 3, 1))
	from := r.at(2026, 2, 5, 8, 0)
	middle := from.Add(19*time.Hour + 30*time.Minute)
	r.air(constant(50)).fill("panel", site.Mains, everyMin, offFor(from, 40))
	r.Outages = []Outage{{ID: "o1", From: middle, To: middle.Add(time.Hour), ReportedAt: middle.Add(time.Hour)}}
	want(t, result(t, judged(t, r.Input), TermDehumidifier, "panel"), NotKept, 39, 39)
}
