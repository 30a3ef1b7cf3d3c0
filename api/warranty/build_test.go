package warranty

import (
	"testing"
	"time"

	"underkeep/store/site"
)

const everyMin = 5 * time.Minute

var newYork = mustZone("America/New_York")

func mustZone(name string) *time.Location {
	l, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return l
}

func day(y int, m time.Month, d int) site.Date { return site.Date{Year: y, Month: m, Day: d} }

// house with one air point, accuracy ±a %RH (0: none given, so ±5).
func house(a float64) site.Property {
	p := site.Property{ID: "heron-07", Name: "7 Heron Lane", Timezone: "America/New_York", Installed: day(2026, 1, 1),
		MoldClass: "sensitive", MoldDecline: 0.1, Points: []site.Point{{ID: "north-bay", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: everyMin}}}
	if a > 0 {
		p.Points[0].Sensor = &site.Sensor{Serial: "A17", Accuracy: map[site.Quantity]float64{site.RH: a, site.AirTemp: 0.3}}
	}
	return p
}

// record builds an Input day by day.
type record struct {
	Input
	zone *time.Location
}

func newRecord(p site.Property, from, to site.Date) *record {
	r := &record{zone: p.Zone()}
	standard, _ := Shipped()
	r.Input = Input{Property: p.ID, Versions: []Version{{Property: p}}, From: from, To: to, Terms: []InForce{{From: p.Installed, Terms: standard[0]}}}
	for d := from; d.Before(to); d = d.AddDays(1) {
		r.Days = append(r.Days, Day{Date: d, Witnessed: d.AddDays(1).In(r.zone).Add(72 * time.Hour).UnixMicro(), Sealed: true})
	}
	return r
}

// at is a local time of the record.
func (r *record) at(y int, m time.Month, d, h, min int) time.Time {
	return time.Date(y, m, d, h, min, 0, 0, r.zone)
}

// fill adds readings of f every step over the whole period; NaN leaves one out.
func (r *record) fill(point string, q site.Quantity, step time.Duration, f func(time.Time) float64) *record {
	var c Chunk
	for at := r.From.In(r.zone); at.Before(r.To.In(r.zone)); at = at.Add(step) {
		if v := f(at); v == v {
			c.At, c.Received, c.Values = append(c.At, at.UnixMicro()), append(c.Received, at.Add(time.Second).UnixMicro()), append(c.Values, v)
		}
	}
	r.Series = append(r.Series, Series{Point: point, Quantity: q, Chunks: []Chunk{c}})
	return r
}

// air fills humidity by f and an even 18 °C.
func (r *record) air(f func(time.Time) float64) *record {
	r.fill("north-bay", site.RH, everyMin, f)
	return r.fill("north-bay", site.AirTemp, everyMin, func(time.Time) float64 { return 18 })
}

func constant(v float64) func(time.Time) float64 { return func(time.Time) float64 { return v } }

func judged(t testing.TB, in Input) Verdict {
	t.Helper()
	v, err := Judge(in)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// result of a term at a point in the only piece, or in the piece given.
func result(t testing.TB, v Verdict, term, point string, piece ...int) Result {
	t.Helper()
	i := 0
	if len(piece) > 0 {
		i = piece[0]
	}
	for _, r := range v.Pieces[i].Results {
		if r.Term == term && r.Point == point {
			return r
		}
	}
	t.Fatalf("no result %s at %q in %+v", term, point, v.Pieces[i].Results)
	return Result{}
}
