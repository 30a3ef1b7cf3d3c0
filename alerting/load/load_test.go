package load

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/alerting"
	"underkeep/store/site"
)

// The expected figures are those of ANSI/ISA-18.2-2016 clause 16.4 and EEMUA
// 191, as secondary sources state them publicly; neither publication was opened.

var start = time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)

func sec(n int) time.Time { return start.Add(time.Duration(n) * time.Second) }

// burst is n alarms of n houses, spread evenly over 600 s from a second on.
func burst(from, n int) []Alarm {
	out := make([]Alarm, n)
	for i := range out {
		out[i] = Alarm{Property: "cottage-" + string(rune('a'+i%26)), Condition: site.HumidityHigh, Point: "north-bay",
			Priority: alerting.Medium, KnownAt: sec(from + i*600/n)}
	}
	return out
}

func hours(n int) Period {
	return Period{From: start, To: start.Add(time.Duration(n) * time.Hour), Operators: 1}
}

// Source: ISA-18.2, a flood starts when the rate exceeds 10 in 10 min.
func TestElevenInTenMinutesAreAFloodAndTenAreNot(t *testing.T) {
	t.Parallel()
	for n, want := range map[int]int{10: 0, 11: 1} {
		if r := Compute(hours(2), burst(0, n)); len(r.Floods) != want || r.IntervalsAbove != want || r.MostPer10Min != float64(n) {
			t.Errorf("%d alarms in 600 s: %d floods, %d intervals above, most %g", n, len(r.Floods), r.IntervalsAbove, r.MostPer10Min)
		}
	}
	// The eleventh just outside the ten minutes.
	late := append(burst(0, 10), Alarm{Property: "x", Condition: site.LeakAlarm, Priority: alerting.High, KnownAt: sec(600)})
	if r := Compute(hours(2), late); len(r.Floods) != 0 {
		t.Errorf("11 in 600.001 s: %+v", r.Floods)
	}
}

// Source: ISA-18.2, a flood ends when the rate falls below 5 in 10 min: after the
// start, intervals of 6 and 5 are still flood, one of 4 is not.
func TestFloodEndsBelowFiveInTenMinutes(t *testing.T) {
	t.Parallel()
	alarms := append(append(append(burst(0, 11), burst(600, 6)...), burst(1200, 5)...), burst(1800, 4)...)
	r := Compute(hours(2), alarms)
	if len(r.Floods) != 1 || r.TimeInFlood != 30*time.Minute || r.Floods[0].Alarms != 22 || !r.Floods[0].Ended {
		t.Errorf("%+v", r.Floods)
	}
	if math.Abs(r.ShareInFlood()-0.25) > 1e-12 {
		t.Errorf("share of two hours: %g", r.ShareInFlood())
	}
}

// Rolling windows see what aligned intervals cut in two; both are reported.
func TestBurstAstrideTheClockIsAFloodThatAlignedIntervalsMiss(t *testing.T) {
	t.Parallel()
	r := Compute(hours(2), burst(300, 12))
	if r.IntervalsAbove != 0 || r.MostPer10Min != 6 || len(r.Floods) != 1 || r.Floods[0].From != sec(300) {
		t.Errorf("%+v", r)
	}
}

func TestFloodThatLastsToTheEndIsSaidToGoOn(t *testing.T) {
	t.Parallel()
	p := Period{From: start, To: sec(900), Operators: 1}
	r := Compute(p, burst(400, 20))
	if len(r.Floods) != 1 || r.Floods[0].Ended || r.Floods[0].To != p.To {
		t.Errorf("%+v", r.Floods)
	}
}

// Source: ISA-18.2-2016, 6 per hour are 144 a day and 1 in 10 min; EEMUA 191 and
// ISA-18.2 count per operator.
func TestRatesArePerOperator(t *testing.T) {
	t.Parallel()
	var alarms []Alarm
	for i := range 144 {
		alarms = append(alarms, Alarm{Property: "a", Condition: site.HumidityHigh, Priority: alerting.Low, KnownAt: sec(i * 600)})
	}
	one := Compute(hours(24), alarms)
	if one.PerHour != 6 || one.PerDay != 144 || one.Per10Min != 1 || one.MostPer10Min != 1 || one.Intervals != 144 || one.Enough() {
		t.Errorf("%+v", one)
	}
	p := hours(24)
	p.Operators = 2
	if two := Compute(p, alarms); two.PerHour != 3 || two.PerDay != 72 {
		t.Errorf("%+v", two)
	}
	p = hours(2)
	p.Operators = 2
	if two := Compute(p, burst(0, 22)); len(two.Floods) != 1 {
		t.Errorf("22 for two operators are 11 for each: %+v", two.Floods)
	}
	if two := Compute(p, burst(0, 20)); len(two.Floods) != 0 || two.IntervalsAbove != 0 {
		t.Errorf("20 for two operators are 10 for each: %+v", two.Floods)
	}
}

// Source: ISA-18.2-2016, about 80 % low, 15 % medium, 5 % high: of 200 alarms
// 160, 30 and 10.
func TestPriorityMix(t *testing.T) {
	t.Parallel()
	var alarms []Alarm
	for i := range 200 {
		p := alerting.Low
		if i >= 160 {
			p = alerting.Medium
		}
		if i >= 190 {
			p = alerting.High
		}
		alarms = append(alarms, Alarm{Property: "a", Condition: site.WoodWet, Priority: p, KnownAt: sec(i * 400)})
	}
	r := Compute(hours(24), alarms)
	for p, want := range map[alerting.Priority]float64{alerting.Low: 0.80, alerting.Medium: 0.15, alerting.High: 0.05, alerting.Urgent: 0} {
		if got := r.SharePriority(p); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s: %g, want %g", p, got, want)
		}
	}
}

// Source: a published account of a site whose rate came out 30 times too high
// because every event was counted, as the secondary source reports it.
func TestOnlyAnnunciationsCount(t *testing.T) {
	t.Parallel()
	cleared := Alarm{Property: "a", Condition: site.HumidityHigh, Point: "n", Priority: alerting.Medium, KnownAt: sec(60), EndedAt: sec(5000), Escalations: 2}
	suppressed := Alarm{Property: "a", Condition: site.DehumidifierIdle, Priority: alerting.Medium, KnownAt: sec(70), Began: SuppressedByDesign, Now: SuppressedByDesign}
	shelved := Alarm{Property: "b", Condition: site.BatteryLow, Point: "n", Priority: alerting.Low, KnownAt: sec(80), Began: Shelved, Now: Shelved, AwayAt: sec(10)}
	out := Alarm{Property: "c", Condition: site.BatteryLow, Point: "n", Priority: alerting.Low, KnownAt: sec(90), Began: OutOfService, Now: OutOfService, AwayAt: sec(10)}
	before := Alarm{Property: "d", Condition: site.LeakAlarm, Priority: alerting.High, KnownAt: sec(-1)}
	after := Alarm{Property: "e", Condition: site.LeakAlarm, Priority: alerting.High, KnownAt: sec(7200)}
	r := Compute(hours(2), []Alarm{after, out, shelved, suppressed, cleared, before})
	if r.Alarms != 1 || r.Escalations != 2 || r.Suppressed != 1 || r.Held != 2 || r.ShelvedNow != 1 || r.OutOfServiceNow != 1 {
		t.Errorf("%+v", r)
	}
}

// Source: stale is over 24 h by ISA-18.2; fewer than five on any day are wanted,
// so that five fail.
func TestStale(t *testing.T) {
	t.Parallel()
	day := 86400
	alarm := func(known, ended int) Alarm {
		a := Alarm{Property: "a", Condition: site.MoldRisk, Priority: alerting.Low, KnownAt: sec(known)}
		if ended > 0 {
			a.EndedAt = sec(ended)
		}
		return a
	}
	away := alarm(-2*day, 0)
	away.Now, away.AwayAt = Shelved, sec(day/2)
	p := hours(48)
	r := Compute(p, []Alarm{
		alarm(day, 0),                    // exactly 24 h at the end: not yet
		alarm(day-1, 0),                  // a second more: stale
		alarm(-3*day, 0),                 // from before the period: stale throughout
		alarm(-3*day, day+60),            // stale at the end of the first day only
		away,                             // put aside at noon of the first day
		alarm(0, 2*day), alarm(0, 5*day), // over at the end; stands beyond it
	})
	if r.Stale != 3 || r.MostStale != 3 || StaleMost != 5 {
		t.Errorf("stale %d, most %d", r.Stale, r.MostStale)
	}
	if r := Compute(hours(24), []Alarm{alarm(-3*day, 0), alarm(-3*day, day+60), away}); r.Stale != 2 {
		t.Errorf("first day: %d", r.Stale)
	}
}

// Common practice, no source, for the number; ISA-18.2 defines chattering as
// repeatedly active and not active in a short time.
func TestChatteringIsThreeOfOneSourceWithinAnHour(t *testing.T) {
	t.Parallel()
	alarm := func(point string, s int) Alarm {
		return Alarm{Property: "a", Condition: site.PumpShortCycling, Point: point, Priority: alerting.Medium, KnownAt: sec(s)}
	}
	r := Compute(hours(24), []Alarm{alarm("x", 0), alarm("x", 1800), alarm("x", 3599), alarm("y", 0), alarm("y", 1800), alarm("y", 3600),
		alarm("z", 5), alarm("w", 6), alarm("v", 7)})
	if len(r.Chattering) != 1 || r.Chattering[0].Point != "x" || r.Chattering[0].Alarms != 3 {
		t.Errorf("%+v", r.Chattering)
	}
}

func TestTopTen(t *testing.T) {
	t.Parallel()
	var alarms []Alarm
	for i := range 20 { // source i is raised i+1 times: 210 in all, 11 to 20 make 155
		for k := range i + 1 {
			alarms = append(alarms, Alarm{Property: "p", Condition: site.WoodWet, Point: string(rune('a' + i)), Priority: alerting.Low, KnownAt: sec(i*3000 + k*3700)})
		}
	}
	r := Compute(hours(48), alarms)
	if len(r.TopTen) != 10 || r.TopTen[0].Point != "t" || r.TopTen[9].Alarms != 11 || math.Abs(r.ShareTopTen()-155.0/210) > 1e-12 {
		t.Errorf("%+v %g", r.TopTen, r.ShareTopTen())
	}
}

func TestNothingIsZeroNotNaN(t *testing.T) {
	t.Parallel()
	for _, p := range []Period{{}, hours(24), {From: sec(10), To: sec(0), Operators: -1}} {
		r := Compute(p, nil)
		if r.PerHour != 0 || r.ShareAbove() != 0 || r.ShareInFlood() != 0 || r.ShareTopTen() != 0 || r.SharePriority(alerting.Low) != 0 {
			t.Errorf("%+v", r)
		}
	}
}

// TestFiguresHoldTogether: whatever the alarms and their order, the same
// figures, floods that are disjoint and hold more than ten, shares of at most 1.
func TestFiguresHoldTogether(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.SliceOfN(rapid.IntRange(-1000, 8000), 0, 80).Draw(t, "at")
		alarms := make([]Alarm, len(at))
		for i, s := range at {
			alarms[i] = Alarm{Property: "p", Condition: site.WoodWet, Point: string(rune('a' + i%3)), Priority: alerting.Priority(1 + i%4),
				KnownAt: sec(s), Began: State(i % 5 / 4)}
		}
		p := Period{From: start, To: sec(7200), Operators: rapid.IntRange(1, 3).Draw(t, "operators")}
		r := Compute(p, alarms)
		shuffled := rapid.Permutation(alarms).Draw(t, "shuffled")
		again := Compute(p, shuffled)
		if again.Alarms != r.Alarms || again.TimeInFlood != r.TimeInFlood || again.IntervalsAbove != r.IntervalsAbove || len(again.Chattering) != len(r.Chattering) {
			t.Fatalf("order matters: %+v %+v", r, again)
		}
		end := time.Time{}
		for _, f := range r.Floods {
			if f.From.Before(end) || !f.To.After(f.From) || f.To.After(p.To) || f.Alarms <= FloodAbove*p.Operators {
				t.Fatalf("flood %+v", f)
			}
			end = f.To
		}
		if r.IntervalsAbove > 0 && len(r.Floods) == 0 {
			t.Fatal("an aligned interval above ten lies in no flood")
		}
		if r.ShareAbove() > 1 || r.ShareInFlood() > 1 || r.ShareTopTen() > 1 {
			t.Fatalf("%+v", r)
		}
	})
}

// A storm over forty houses is one alarm of its highest priority, and no flood.
func TestARegionalEventCountsAsOne(t *testing.T) {
	t.Parallel()
	storm := burst(60, 40)
	for i := range storm {
		storm[i].RegionalEvent = 3
	}
	storm[17].Priority = alerting.Urgent
	other := Alarm{Property: "elsewhere", Condition: site.LeakAlarm, Priority: alerting.High, KnownAt: sec(30)}
	r := Compute(hours(48), append(storm, other))
	if r.Alarms != 2 || r.Joined != 39 || r.Regional != 1 || len(r.Floods) != 0 || r.MostPer10Min != 2 ||
		r.ByPriority[alerting.Urgent] != 1 || r.ByPriority[alerting.High] != 1 || r.Stale != 2 {
		t.Errorf("with a storm over forty houses: %+v", r)
	}
	for i := range storm {
		storm[i].RegionalEvent = 0
	}
	if r := Compute(hours(48), append(storm, other)); r.Alarms != 41 || len(r.Floods) != 1 {
		t.Errorf("forty houses each by itself: %+v", r)
	}
}
