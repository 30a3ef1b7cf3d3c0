package warranty

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

// drawn is a month of a house with power, outages and visits, at half-hour
// intervals so that many can be tried, and terms small enough that every outcome
// comes up. Readings differ enough that some are good in time that is left out.
func drawn(t *rapid.T, accuracyPct float64) *record {
	p := powered(30 * time.Minute)
	for i := range p.Points {
		p.Points[i].Every = 30 * time.Minute
	}
	p.Points[0].Sensor.Accuracy[site.RH] = accuracyPct
	from := rapid.SampledFrom([]site.Date{day(2026, 2, 10), day(2026, 3, 1), day(2026, 10, 20), day(2026, 12, 20)}).Draw(t, "from")
	r := newRecord(p, from, from.AddDays(20))
	terms := &r.Terms[0].Terms
	terms.Humidity.LongestExcursion, terms.Humidity.AbovePerYear = 12*time.Hour, 30*time.Hour
	terms.Data.LongestGap, terms.Power.DehumidifierOff = 10*time.Hour, 6*time.Hour
	terms.Mold.Limit, terms.Wood.LongestExcursion = 0.4, 12*24*time.Hour
	base := rapid.Float64Range(45, 62).Draw(t, "base")
	wet := stretches(t, r, "wet", 3)
	off := stretches(t, r, "off", 2)
	for i, s := range stretches(t, r, "outage", 2) {
		r.Outages = append(r.Outages, Outage{ID: fmt.Sprint("o", i), From: timeOf(s.from), To: timeOf(s.to), ReportedAt: timeOf(s.to)})
	}
	for i, s := range stretches(t, r, "visit", 1) {
		r.Visits = append(r.Visits, Visit{ID: fmt.Sprint("v", i), Kind: "service", By: ByCompany, From: timeOf(s.from), To: timeOf(s.to)})
	}
	// Now and then the excluded time lies right in the middle of a wet one.
	if len(wet) > 0 && rapid.Bool().Draw(t, "dry within") {
		at := wet[0].from + rapid.Int64Range(0, 40).Draw(t, "after")*1800*µsSecond
		off = union(append(off, span{at, at + rapid.Int64Range(1, 20).Draw(t, "for")*1800*µsSecond}))
		wet = without(wet, []span{{at, at + rapid.Int64Range(1, 40).Draw(t, "dry")*1800*µsSecond}})
	}
	step := 30 * time.Minute
	r.fill("north-bay", site.RH, step, func(at time.Time) float64 {
		v := base + 2*math.Sin(float64(at.Unix())/9000)
		if in(wet, at) {
			v += 30
		}
		return v
	})
	r.fill("north-bay", site.AirTemp, step, func(time.Time) float64 { return 22 })
	r.fill("panel", site.Mains, step, func(at time.Time) float64 {
		if in(off, at) {
			return 0
		}
		return 1
	})
	return r
}

func stretches(t *rapid.T, r *record, name string, most int) []span {
	var out []span
	start := r.From.In(r.zone)
	for i := range rapid.IntRange(0, most).Draw(t, name) {
		from := start.Add(time.Duration(rapid.IntRange(0, 19*48).Draw(t, fmt.Sprintf("%s %d", name, i))) * 30 * time.Minute)
		out = append(out, span{from.UnixMicro(), from.Add(time.Duration(rapid.IntRange(1, 80).Draw(t, "length")) * 30 * time.Minute).UnixMicro()})
	}
	return union(out)
}

func in(spans []span, at time.Time) bool {
	return slices.ContainsFunc(spans, func(s span) bool { return s.from <= at.UnixMicro() && at.UnixMicro() < s.to })
}

// eachPair calls f with the results of one term in two verdicts.
func eachPair(a, b Verdict, f func(a, b Result)) {
	for i := range a.Pieces {
		for _, x := range a.Pieces[i].Results {
			for _, y := range b.Pieces[i].Results {
				if x.Term == y.Term && x.Point == y.Point && x.Applies {
					f(x, y)
				}
			}
		}
	}
}

// TestTakingAwayProvesNothing: readings that are taken away, of whatever series,
// never make a term kept, and never lower its worst case. Its best case they never
// raise either, except that an outage needs its proof: time that cannot be left
// out any more counts.
func TestTakingAwayProvesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := drawn(t, rapid.Float64Range(0.2, 4).Draw(t, "accuracy"))
		whole := judged(fatal{t: t}, r.Input)
		powerToo := rapid.Bool().Draw(t, "power too")
		for i := range r.Series {
			if r.Series[i].Quantity == site.Mains && !powerToo {
				continue
			}
			c := r.Series[i].Chunks[0]
			gone := stretches(t, r, "gone", 3)
			r.Series[i].Chunks = []Chunk{filter(c, func(at int64) bool { return !in(gone, timeOf(at)) })}
		}
		left := judged(fatal{t: t}, r.Input)
		if left.Outcome.rank() < whole.Outcome.rank() && left.Outcome == Kept {
			t.Fatalf("%s became %s", whole.Outcome, left.Outcome)
		}
		eachPair(whole, left, func(a, b Result) {
			if b.Outcome == Kept && a.Outcome != Kept {
				t.Fatalf("%s: %s (%g to %g) became %s (%g to %g)", a.Term, a.Outcome, a.Best, a.Worst, b.Outcome, b.Best, b.Worst)
			}
			switch {
			case a.Party == byData: // one figure, of which more is better for the coverage
				if a.Outcome != Kept && b.Outcome == Kept || a.Term == TermLongestGap && b.Worst < a.Worst-1e-6 || a.Term == TermCoverage && b.Worst > a.Worst+1e-6 {
					t.Fatalf("%s: %g became %g", a.Term, a.Worst, b.Worst)
				}
			case b.Worst < a.Worst-1e-6:
				t.Fatalf("%s: worst case %g became %g", a.Term, a.Worst, b.Worst)
			case !powerToo && b.Best > a.Best+1e-6:
				t.Fatalf("%s: best case %g became %g", a.Term, a.Best, b.Best)
			}
		})
	})
}

// TestComingLateIsLikeNotComing: a reading received when the delay was over
// changes a verdict exactly as one that was never sent.
func TestComingLateIsLikeNotComing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := drawn(t, 1)
		late := r.Input
		late.Series = slices.Clone(r.Series)
		gone := stretches(t, r, "gone", 3)
		for i := range r.Series {
			c := r.Series[i].Chunks[0]
			received := slices.Clone(c.Received)
			for k, at := range c.At {
				if in(gone, timeOf(at)) {
					received[k] += 30 * 24 * µsHour
				}
			}
			late.Series[i].Chunks = []Chunk{{c.At, received, c.Values}}
			r.Series[i].Chunks = []Chunk{filter(c, func(at int64) bool { return !in(gone, timeOf(at)) })}
		}
		a, b := judged(fatal{t: t}, r.Input), judged(fatal{t: t}, late)
		if len(gone) > 0 && len(b.Late) == 0 {
			t.Fatal("late readings are not shown")
		}
		b.Late = a.Late
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("%s and %s", a.Summary, b.Summary)
		}
	})
}

// TestLessUncertaintyOnlySettles: a better sensor with the same readings never
// turns kept or not kept into anything else.
func TestLessUncertaintyOnlySettles(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0.5, 5).Draw(t, "accuracy")
		r := drawn(t, a)
		rough := judged(fatal{t: t}, r.Input)
		better := r.Versions[0].Property
		better.Points = slices.Clone(better.Points)
		better.Points[0].Sensor = &site.Sensor{Serial: "A17", Accuracy: map[site.Quantity]float64{
			site.RH: a * rapid.Float64Range(0, 1).Draw(t, "share"), site.AirTemp: 0.3}}
		r.Versions[0].Property = better
		fine := judged(fatal{t: t}, r.Input)
		eachPair(rough, fine, func(a, b Result) {
			if a.Outcome != NotProven && b.Outcome != a.Outcome {
				t.Fatalf("%s: %s became %s", a.Term, a.Outcome, b.Outcome)
			}
			if b.Best < a.Best-1e-6 || b.Worst > a.Worst+1e-6 {
				t.Fatalf("%s: %g to %g became %g to %g", a.Term, a.Best, a.Worst, b.Best, b.Worst)
			}
		})
	})
}

// TestChunksDoNotMatter: however readings are cut up and by however many
// gateways they come, the verdict is the same.
func TestChunksDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := drawn(t, 2)
		a := judged(fatal{t: t}, r.Input)
		for i := range r.Series {
			c := r.Series[i].Chunks[0]
			parts := make([][]bool, rapid.IntRange(1, 4).Draw(t, "parts"))
			var chunks []Chunk
			for k := range parts {
				chunks = append(chunks, filter(c, func(at int64) bool { return int(at/(1800*µsSecond))*7%len(parts) == k }))
			}
			r.Series[i].Chunks = MergeChunks(append(chunks, chunks[0]))
		}
		if b := judged(fatal{t: t}, r.Input); !reflect.DeepEqual(a, b) {
			t.Fatalf("%s and %s", a.Summary, b.Summary)
		}
	})
}

// TestBestIsNeverWorse: the two cases are what they are called.
func TestBestIsNeverWorse(t *testing.T) {
	t.Parallel()
	seen := map[Outcome]int{}
	rapid.Check(t, func(t *rapid.T) {
		v := judged(fatal{t: t}, drawn(t, rapid.Float64Range(0.2, 4).Draw(t, "accuracy")).Input)
		seen[v.Outcome]++
		for _, r := range v.Pieces[0].Results {
			if r.Best > r.Worst+1e-9 || math.IsNaN(r.Best+r.Worst) || r.Reason == "" || r.Outcome == NotProven && r.Changed == "" {
				t.Fatalf("%+v", r)
			}
		}
	})
	for _, o := range Outcomes() {
		if seen[o] == 0 {
			t.Errorf("the drawn houses never come out as %s: %v", o, seen)
		}
	}
}

// TestSpansAgainstPoints holds the arithmetic of spans against single moments.
func TestSpansAgainstPoints(t *testing.T) {
	t.Parallel()
	draw := func(t *rapid.T, name string) []span {
		var out []span
		for range rapid.IntRange(0, 6).Draw(t, name) {
			from := rapid.Int64Range(0, 40).Draw(t, "from")
			out = append(out, span{from, from + rapid.Int64Range(0, 9).Draw(t, "length")})
		}
		return out
	}
	has := func(s []span, at int64) bool {
		return slices.ContainsFunc(s, func(x span) bool { return x.from <= at && at < x.to })
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := draw(t, "a"), draw(t, "b")
		ua, ub := union(slices.Clone(a)), union(slices.Clone(b))
		u, w, c := union(append(slices.Clone(a), b...)), without(ua, ub), common(ua, ub)
		for at := int64(-1); at < 52; at++ {
			x, y := has(a, at), has(b, at)
			if has(u, at) != (x || y) || has(w, at) != (x && !y) || has(c, at) != (x && y) {
				t.Fatalf("%v and %v at %d: union %v, without %v, common %v", a, b, at, u, w, c)
			}
		}
		if total(u) != total(ua)+total(ub)-total(c) {
			t.Fatalf("lengths of %v and %v", a, b)
		}
	})
}

func filter(c Chunk, keep func(at int64) bool) Chunk {
	var out Chunk
	for i, at := range c.At {
		if keep(at) {
			out.At, out.Received, out.Values = append(out.At, at), append(out.Received, c.Received[i]), append(out.Values, c.Values[i])
		}
	}
	return out
}

// fatal lets rapid's tests use helpers of testing.
type fatal struct {
	testing.TB
	t *rapid.T
}

func (f fatal) Helper()           {}
func (f fatal) Fatal(args ...any) { f.t.Fatal(args...) }
