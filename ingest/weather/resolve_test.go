package weather

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var day0 = time.Date(2026, 3, 2, 0, 53, 0, 0, time.UTC)

func hour(n int) time.Time { return day0.Add(time.Duration(n) * time.Hour) }

func report(n int, windows ...Window) Observation { return Observation{At: hour(n), Rain: windows} }

func overlapping(list []Interval) (a, b Interval, bad bool) {
	s := slices.Clone(list)
	slices.SortFunc(s, func(a, b Interval) int { return a.From.Compare(b.From) })
	for i := 1; i < len(s); i++ {
		if s[i].From.Before(s[i-1].To) {
			return s[i-1], s[i], true
		}
	}
	return a, b, false
}

func sum(list []Interval) (mm float64) {
	for _, i := range list {
		mm += i.MM
	}
	return mm
}

// Windows over 1, 3 and 6 h overlap: 4 mm an hour for 6 h is 24 mm, not 24+12+12+24.
func TestOverlappingWindowsAreNotSummed(t *testing.T) {
	t.Parallel()
	fresh, revised := Resolve([]Observation{
		report(0), report(1, Window{0, 4}), report(2, Window{0, 4}), report(3, Window{0, 4}, Window{3, 12}),
		report(4, Window{0, 4}), report(5, Window{0, 4}), report(6, Window{0, 4}, Window{3, 12}, Window{6, 24}),
	}, nil)
	if len(fresh) != 6 || math.Abs(sum(fresh)-24) > 1e-9 || len(revised) > 0 {
		t.Errorf("%v, %v", fresh, revised)
	}
}

// A missing hour is unknown until a longer total fills it: 10 mm in 3 h of which 4
// and 1 are known leave 5 for the hour between.
func TestTotalsFillMissingHours(t *testing.T) {
	t.Parallel()
	reports := []Observation{report(0), report(1, Window{0, 4}), report(2), report(3, Window{0, 1})}
	before, _ := Resolve(reports, nil)
	if len(before) != 2 || sum(before) != 5 {
		t.Fatalf("unknown is not zero: %v", before)
	}
	reports[3].Rain = append(reports[3].Rain, Window{3, 10})
	fresh, _ := Resolve(reports, before)
	if len(fresh) != 1 || !fresh[0].From.Equal(hour(1)) || !fresh[0].To.Equal(hour(2)) || fresh[0].MM != 5 || fresh[0].Spread {
		t.Errorf("%v", fresh)
	}
	// Two missing hours share what is left, and say so.
	fresh, _ = Resolve([]Observation{report(0), report(1, Window{0, 4}), report(3, Window{3, 10})}, nil)
	if len(fresh) != 2 || fresh[1].MM != 6 || !fresh[1].Spread || !fresh[1].From.Equal(hour(1)) || !fresh[1].To.Equal(hour(3)) {
		t.Errorf("%v", fresh)
	}
}

// Special reports repeat the running amount of their hour: 2, 5 and then 7 mm are 7.
func TestSpecialReportsRepeatTheHour(t *testing.T) {
	t.Parallel()
	at := func(minutes int, mm float64) Observation {
		return Observation{At: hour(1).Add(time.Duration(minutes) * time.Minute), Rain: []Window{{0, mm}}}
	}
	all := []Observation{report(0, Window{0, 0}), report(1, Window{0, 0}), at(10, 2), at(31, 5), at(60, 7)}
	fresh, _ := Resolve(all, nil)
	if math.Abs(sum(fresh)-7) > 1e-9 {
		t.Errorf("%v", fresh)
	}
	// The same one by one, as they come.
	var stored []Interval
	for i := range all {
		f, revised := Resolve(all[:i+1], stored)
		stored = append(stored, f...)
		if len(revised) > 0 {
			t.Errorf("revised %v", revised)
		}
	}
	if _, _, bad := overlapping(stored); bad || math.Abs(sum(stored)-7) > 1e-9 {
		t.Errorf("%v", stored)
	}
}

func TestARevisionIsTold(t *testing.T) {
	t.Parallel()
	stored, _ := Resolve([]Observation{report(0), report(1, Window{0, 4})}, nil)
	fresh, revised := Resolve([]Observation{report(0), report(1, Window{0, 6})}, stored)
	if len(fresh) != 0 || len(revised) != 1 || revised[0].MM != 6 || !revised[0].To.Equal(hour(1)) {
		t.Errorf("%v, %v", fresh, revised)
	}
}

// Whatever is reported, lost, repeated or asked for in pieces: intervals never
// overlap, never say more than fell, and where a total is known they come to it.
func TestResolveNeverCountsTwice(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		const hours = 24
		var fell [hours * 60]float64 // mm in each minute after day0
		for range rapid.IntRange(0, 12).Draw(t, "showers") {
			from := rapid.IntRange(0, len(fell)-1).Draw(t, "from")
			for m := from; m < min(from+rapid.IntRange(1, 200).Draw(t, "minutes"), len(fell)); m++ {
				fell[m] += 0.1
			}
		}
		between := func(from, to int) (mm float64) {
			for m := max(from, 0); m < to; m++ {
				mm += fell[m]
			}
			return mm
		}
		var all []Observation
		told := map[int]bool{} // minutes at which a window over 6 h was told
		for h := 1; h <= hours; h++ {
			for range rapid.IntRange(0, 2).Draw(t, "specials") {
				m := (h-1)*60 + rapid.IntRange(1, 59).Draw(t, "minute")
				all = append(all, Observation{At: day0.Add(time.Duration(m) * time.Minute), Rain: []Window{{0, between((h-1)*60, m)}}})
			}
			if !rapid.Bool().Draw(t, "heard") {
				continue
			}
			o := report(h)
			for _, span := range []int{0, 3, 6} {
				if h >= span && rapid.Bool().Draw(t, "known") {
					o.Rain = append(o.Rain, Window{span, between((h-max(span, 1))*60, h*60)})
					if span == 6 {
						told[h*60] = true
					}
				}
			}
			all = append(all, o)
		}
		// The minute of routine reports is known from many of them.
		for h := range 30 {
			all = append(all, Observation{At: hour(-40 + h)})
		}
		var stored []Interval
		for cut := 0; cut < len(all); {
			n := rapid.IntRange(1, len(all)-cut).Draw(t, "piece")
			piece := all[max(0, cut-rapid.IntRange(0, 10).Draw(t, "again")) : cut+n]
			fresh, _ := Resolve(append(slices.Clone(piece), all[len(all)-30:]...), stored)
			stored, cut = append(stored, fresh...), cut+n
		}
		if a, b, bad := overlapping(stored); bad {
			t.Fatalf("%v and %v overlap", a, b)
		}
		for _, i := range stored {
			from, to := int(i.From.Sub(day0).Minutes()), int(i.To.Sub(day0).Minutes())
			if got, most := i.MM, between(from, to); !i.Spread && math.Abs(got-most) > 1e-6 {
				t.Fatalf("%v: %g mm fell", i, most)
			}
		}
		if got, all := sum(stored), between(0, len(fell)); got > all+1e-6 {
			t.Fatalf("%g mm of %g", got, all)
		}
		for end := range told {
			var in float64
			whole := true
			for _, i := range stored {
				from, to := int(i.From.Sub(day0).Minutes()), int(i.To.Sub(day0).Minutes())
				if from >= end-360 && to <= end {
					in, whole = in+i.MM, whole && !i.Spread
				} else if from < end && to > end-360 {
					whole = false
				}
			}
			if want := between(end-360, end); whole && math.Abs(in-want) > 1e-6 {
				t.Fatalf("6 h to minute %d: %g mm, want %g", end, in, want)
			}
		}
	})
}
