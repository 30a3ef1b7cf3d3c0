package warranty

import (
	"math"
	"testing"
	"time"

	"underkeep/store/site"
)

// The timelines here are worked by hand from the definitions in doc.go. Zone
// rules: US Energy Policy Act of 2005, section 110: clocks go forward on the
// second Sunday of March and back on the first Sunday of November.

func want(t *testing.T, r Result, o Outcome, best, worst float64) {
	t.Helper()
	if r.Outcome != o || math.Abs(r.Best-best) > 1e-6 || math.Abs(r.Worst-worst) > 1e-6 {
		t.Errorf("%s: %s, best %.6f, worst %.6f; want %s, %.6f, %.6f", r.Term, r.Outcome, r.Best, r.Worst, o, best, worst)
	}
}

// TestLimitWithUncertainty: ±2 %RH is a standard uncertainty of 2/√3 = 1.15470,
// times 1.64485 a guard band of 1.89931. So up to 58.10069 is below 60 for
// certain, beyond 61.89931 above, and in between undecided.
func TestLimitWithUncertainty(t *testing.T) {
	t.Parallel()
	const all = 7 * 24.0
	for _, c := range []struct {
		rh          float64
		want        Outcome
		best, worst float64
	}{
		{58.100, Kept, 0, 0}, {58.101, NotProven, 0, all}, {60, NotProven, 0, all}, {61.899, NotProven, 0, all}, {61.900, NotKept, all, all},
	} {
		r := newRecord(house(2), day(2026, 2, 1), day(2026, 2, 8)).air(constant(c.rh))
		want(t, result(t, judged(t, r.Input), TermLongestExcursion, "north-bay"), c.want, c.best, c.worst)
	}
}

// TestExcursionAtItsLongest: 72 h are allowed, and 72 h and five minutes are not.
func TestExcursionAtItsLongest(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		minutes int
		want    Outcome
	}{{72 * 60, Kept}, {72*60 + 5, NotKept}} {
		r := newRecord(house(1), day(2026, 2, 1), day(2026, 3, 1))
		from := r.at(2026, 2, 10, 7, 0)
		r.air(func(at time.Time) float64 {
			if !at.Before(from) && at.Before(from.Add(time.Duration(c.minutes)*time.Minute)) {
				return 66
			}
			return 50
		})
		hours := float64(c.minutes) / 60
		got := result(t, judged(t, r.Input), TermLongestExcursion, "north-bay")
		want(t, got, c.want, hours, hours)
		if got.Behind == nil || !got.Behind.From.Equal(from) || got.Behind.Corrected != 66 {
			t.Errorf("behind it: %+v", got.Behind)
		}
	}
}

// missing leaves out n readings from a moment on. The reading before it still
// holds for its five minutes, so just n intervals are not known.
func missing(from time.Time, n int, v float64) func(time.Time) float64 {
	return func(at time.Time) float64 {
		if !at.Before(from) && at.Before(from.Add(time.Duration(n)*everyMin)) {
			return math.NaN()
		}
		return v
	}
}

// TestCoverageOfAMonth: 90 % of a month at twelve readings an hour. April has
// 8,640 of them, so 864 may be missing; February 8,064 and 806, in a leap year
// 8,352 and 835; March with its day of 23 h 8,916 and 891; November with its day
// of 25 h 8,652 and 865.
func TestCoverageOfAMonth(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		year  int
		month time.Month
		all   int
		may   int
	}{
		{2026, time.April, 8640, 864}, {2026, time.February, 8064, 806}, {2028, time.February, 8352, 835},
		{2026, time.March, 8916, 891}, {2026, time.November, 8652, 865},
	} {
		for extra, outcome := range []Outcome{Kept, NotProven} {
			gone := c.may + extra
			r := newRecord(house(1), day(c.year, c.month, 1), site.DateOf(time.Date(c.year, c.month+1, 1, 0, 0, 0, 0, time.UTC)))
			r.Terms[0].Terms.Data = &DataTerms{LeastCoveragePct: 90, LongestGap: 100 * time.Hour}
			r.air(missing(r.at(c.year, c.month, 5, 12, 0), gone, 50))
			share := 100 * float64(c.all-gone) / float64(c.all)
			v := judged(t, r.Input)
			want(t, result(t, v, TermCoverage, "north-bay"), outcome, share, share)
			if m := v.Points[0].Months; len(m) != 1 || math.Abs(m[0].GapHours-float64(gone)/12) > 1e-9 {
				t.Errorf("%d-%02d: months %+v", c.year, c.month, m)
			}
		}
	}
}

// TestDaysOf23And25Hours: the air is above the limit for one local day.
func TestDaysOf23And25Hours(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		day   site.Date
		hours float64
	}{{day(2026, 3, 7), 24}, {day(2026, 3, 8), 23}, {day(2026, 11, 1), 25}} {
		r := newRecord(house(1), c.day.AddDays(-2), c.day.AddDays(3))
		from, to := c.day.In(r.zone), c.day.AddDays(1).In(r.zone)
		r.air(func(at time.Time) float64 {
			if !at.Before(from) && at.Before(to) {
				return 70
			}
			return 50
		})
		v := judged(t, r.Input)
		want(t, result(t, v, TermLongestExcursion, "north-bay"), Kept, c.hours, c.hours)
		want(t, result(t, v, TermAbovePerYear, "north-bay"), Kept, c.hours, c.hours)
	}
}

// TestGapAcrossNewYear: noon of December 30 to noon of January 2 is 72 h, 36 of
// them in each month of 744 h; five minutes more are too long, and as the worst
// case they are an excursion that is too long.
func TestGapAcrossNewYear(t *testing.T) {
	t.Parallel()
	for extra, outcome := range []Outcome{Kept, NotProven} {
		r := newRecord(house(1), day(2026, 12, 1), day(2027, 2, 1))
		r.air(missing(r.at(2026, 12, 30, 12, 0), 72*12+extra, 50))
		v := judged(t, r.Input)
		hours := 72 + float64(extra)/12
		want(t, result(t, v, TermLongestGap, "north-bay"), outcome, hours, hours)
		want(t, result(t, v, TermLongestExcursion, "north-bay"), outcome, 0, hours)
		want(t, result(t, v, TermCoverage, "north-bay"), Kept, 100*(744-36.0-float64(extra)/12)/744, 100*(744-36.0-float64(extra)/12)/744)
		if v.Outcome != outcome {
			t.Errorf("%s: %s", v.Outcome, v.Summary)
		}
		if len(v.Gaps) != 1 || v.Gaps[0].Hours != hours || !v.Gaps[0].From.Equal(r.at(2026, 12, 30, 12, 0)) {
			t.Errorf("gaps %+v", v.Gaps)
		}
	}
}

// TestLeapDayInARollingYear: 250 h are allowed in any 365 days. The air is above
// for 125.5 h from February 1 on, and again from January 26 of the next year: the
// last of those days, with 5.5 of its hours, is the 365th from February 1 in a
// common year and the 366th in a leap year.
func TestLeapDayInARollingYear(t *testing.T) {
	t.Parallel()
	p := house(1)
	p.Installed = day(2025, 1, 1)
	for _, c := range []struct {
		year  int
		hours float64
		want  Outcome
	}{{2026, 251, NotKept}, {2028, 245.5, Kept}} {
		r := newRecord(p, day(c.year, 1, 20), day(c.year+1, 2, 5))
		r.Terms[0].Terms.Humidity.LongestExcursion = 200 * time.Hour
		humid := func(at time.Time, d site.Date) bool {
			from := d.In(r.zone)
			return !at.Before(from) && at.Before(from.Add(125*time.Hour+30*time.Minute))
		}
		r.air(func(at time.Time) float64 {
			if humid(at, day(c.year, 2, 1)) || humid(at, day(c.year+1, 1, 26)) {
				return 70
			}
			return 50
		})
		want(t, result(t, judged(t, r.Input), TermAbovePerYear, "north-bay"), c.want, c.hours, c.hours)
	}
}

// TestALostReadingIsNotHidden: one reading in ten minutes holds for five.
func TestALostReadingIsNotHidden(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 2, 1), day(2026, 2, 2))
	r.air(missing(r.at(2026, 2, 1, 6, 0), 1, 50))
	v := judged(t, r.Input)
	want(t, result(t, v, TermAbovePerYear, "north-bay"), Kept, 0, 1.0/12)
	late := newRecord(house(1), day(2026, 2, 1), day(2026, 2, 2))
	late.air(constant(50))
	for _, s := range late.Series { // a minute late is not lost
		s.Chunks[0].At[100] += 60e6
	}
	want(t, result(t, judged(t, late.Input), TermAbovePerYear, "north-bay"), Kept, 0, 0)
}

// TestUnwitnessedProvesNothing: readings received when the seal delay was over
// are counted, and otherwise as if they had not come.
func TestUnwitnessedProvesNothing(t *testing.T) {
	t.Parallel()
	for _, rh := range []float64{50, 70} {
		r := newRecord(house(1), day(2026, 2, 1), day(2026, 2, 15)).air(constant(rh))
		c := r.Series[0].Chunks[0]
		for i, at := range c.At {
			if at >= r.at(2026, 2, 3, 0, 0).UnixMicro() && at < r.at(2026, 2, 8, 0, 0).UnixMicro() {
				c.Received[i] = r.Days[6].Witnessed // of the last of those days: at the edge, already too late
			}
		}
		v := judged(t, r.Input)
		want(t, result(t, v, TermLongestGap, "north-bay"), NotProven, 120, 120)
		if len(v.Late) != 1 || v.Late[0].Readings != 5*288 || v.Late[0].Quantity != "rh" {
			t.Errorf("%+v", v.Late)
		}
		if rh == 50 && v.Outcome != NotProven {
			t.Errorf("late good readings prove: %s", v.Outcome)
		}
	}
}

// TestTermsChange judges each part by its own terms, and the part before the
// change as if there had been none.
func TestTermsChange(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 5, 1), day(2026, 9, 1)).air(constant(57))
	before := r.Input
	before.To = day(2026, 7, 1)
	alone := judged(t, before)
	stricter := r.Terms[0].Terms
	h := *stricter.Humidity
	h.LimitRHPct = 55
	stricter.Humidity, stricter.Version = &h, 2
	r.Terms = append(r.Terms, InForce{From: day(2026, 7, 1), Terms: stricter})
	v := judged(t, r.Input)
	if len(v.Pieces) != 2 || v.Pieces[0].Outcome != Kept || v.Pieces[1].Outcome != NotKept || v.Outcome != NotKept {
		t.Fatalf("%s: %+v", v.Outcome, v.Pieces)
	}
	for i, a := range alone.Pieces[0].Results {
		if b := v.Pieces[0].Results[i]; a.Outcome != b.Outcome || a.Best != b.Best || a.Worst != b.Worst || a.Reason != b.Reason {
			t.Errorf("the change reaches back: %+v became %+v", a, b)
		}
	}
	want(t, result(t, v, TermAbovePerYear, "north-bay", 1), NotKept, 62*24, 62*24)
}

// TestExcursionRunsOnAcrossAChange: cutting it in two must not shorten it.
func TestExcursionRunsOnAcrossAChange(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 6, 1), day(2026, 8, 1))
	from := r.at(2026, 6, 29, 0, 0)
	r.air(func(at time.Time) float64 {
		if !at.Before(from) && at.Before(from.Add(96*time.Hour)) {
			return 70
		}
		return 50
	})
	second := r.Terms[0].Terms
	second.Version = 2
	r.Terms = append(r.Terms, InForce{From: day(2026, 7, 1), Terms: second})
	v := judged(t, r.Input)
	want(t, result(t, v, TermLongestExcursion, "north-bay", 0), Kept, 48, 48)
	want(t, result(t, v, TermLongestExcursion, "north-bay", 1), NotKept, 96, 96)
}

func TestNoTermsNoProof(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 2, 1), day(2026, 3, 1)).air(constant(50))
	r.Terms = []InForce{{From: day(2026, 2, 15), Terms: r.Terms[0].Terms}}
	v := judged(t, r.Input)
	if v.Outcome != NotProven || len(v.Pieces) != 2 || v.Pieces[0].Terms != "" || v.Pieces[1].Outcome != Kept {
		t.Errorf("%s %+v", v.Outcome, v.Pieces)
	}
}

// TestCommissioning: the first 14 days count neither way.
func TestCommissioning(t *testing.T) {
	t.Parallel()
	p := house(1)
	p.Commissioning = 14 * 24 * time.Hour
	for _, c := range []struct {
		wetDays int
		best    float64
	}{{14, 0}, {15, 24}} {
		r := newRecord(p, day(2026, 1, 1), day(2026, 3, 1))
		end := day(2026, 1, 1).AddDays(c.wetDays).In(r.zone)
		r.air(func(at time.Time) float64 {
			if at.Before(end) {
				return 80
			}
			return 50
		})
		v := judged(t, r.Input)
		want(t, result(t, v, TermAbovePerYear, "north-bay"), Kept, c.best, c.best)
		if len(v.Exclusions) != 1 || v.Exclusions[0].Kind != Commissioning || !v.Exclusions[0].To.Equal(r.at(2026, 1, 15, 0, 0)) {
			t.Errorf("%+v", v.Exclusions)
		}
	}
}
