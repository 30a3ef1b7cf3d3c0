package water

import (
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// storms of mm within 3 h, every so many hours, told by quarter of an hour; cycles says
// how many a storm brings, spread over the six hours after its first.
func rainEvery(r *Response, start Micros, n int, everyHours, mm float64, cycles func(i int) int) (end Micros) {
	for i := range n {
		at := start + Micros(float64(i)*everyHours*microsPerHour)
		count, made := cycles(i), 0
		for q := range 40 {
			to := at + Micros(q+1)*quarterMicros
			if q < 12 {
				r.Rain(to, mm/12)
			} else {
				r.Rain(to, 0)
			}
			if q >= 4 && made < count && (q-4)*count >= made*24 {
				r.Cycle(to + 1)
				made++
			}
		}
	}
	return start + Micros(float64(n)*everyHours*microsPerHour)
}

// lowest probability of silence during one more storm of mm without a cycle.
func lowest(r Response, start Micros, mm float64) float64 {
	p := 1.0
	for q := range 120 {
		to := start + Micros(q+1)*quarterMicros
		if q < 12 {
			r.Rain(to, mm/12)
		}
		p = math.Min(p, r.SilenceProbability(to))
	}
	return p
}

const dayHours = 24.0

func TestWetSiteLearnsAndCallsADeadPump(t *testing.T) {
	t.Parallel()
	for _, history := range []string{"damp", "flooded", "dry", ""} {
		r := NewResponse(history, 0)
		end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
		if p := lowest(r, end, 25); p > 0.01 {
			t.Errorf("%q: silence after 25 storms of 10 cycles is still %.3f likely", history, p)
		}
		if p := lowest(r, end, 1); p < 0.5 {
			t.Errorf("%q: a drizzle makes silence suspicious: %.3f", history, p)
		}
	}
}

func TestSiteThatNeverRanIsLeftAlone(t *testing.T) {
	t.Parallel()
	for _, history := range []string{"dry", "damp", ""} {
		r := NewResponse(history, 0)
		for n := range 40 {
			start := Micros(float64(n)*3*dayHours+dayHours) * microsPerHour
			if p := lowest(r, start, 60); p <= 0.01 {
				t.Fatalf("%q: storm %d of 60 mm calls a pump that never ran: %.4f", history, n, p)
			}
			rainEvery(&r, start, 1, dayHours, 15, func(int) int { return 0 })
		}
	}
}

// A basin that has been flooded has no excuse in its first great storm.
func TestFloodedSiteCallsInItsFirstGreatStorm(t *testing.T) {
	t.Parallel()
	r := NewResponse("flooded", 0)
	if p := lowest(r, dayHours*microsPerHour, 120); p > 0.01 {
		t.Errorf("120 mm without a cycle on a flooded site: silence %.3f likely", p)
	}
}

// A site that was wet and then repaired: what its pump still makes, proved by a test after
// the first call, teaches it within a season (20 storms here) to leave silence alone.
func TestRepairedSiteUnlearns(t *testing.T) {
	t.Parallel()
	for _, cycles := range []int{0, 1} {
		r := NewResponse("flooded", 0)
		end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
		calls, last := 0, -1
		for n := range 20 {
			start := end + Micros(float64(n)*4*dayHours*microsPerHour)
			if lowest(r, start, 25) <= 0.01 && cycles == 0 {
				calls, last = calls+1, n
			}
			next := rainEvery(&r, start, 1, 2*dayHours, 25, func(int) int { return cycles })
			if cycles == 0 {
				r.Tested(next)
			}
		}
		if calls > 3 || last > 5 {
			t.Errorf("%d cycles a storm: %d calls, the last in storm %d", cycles, calls, last)
		}
		if p := lowest(r, end+Micros(20*4*dayHours*microsPerHour), 25); p <= 0.01 {
			t.Errorf("%d cycles a storm: silence is still called after a season: %.4f", cycles, p)
		}
	}
}

// A dead pump that nobody tests does not teach the site that it is dry.
func TestDeadPumpDoesNotUnlearn(t *testing.T) {
	t.Parallel()
	r := NewResponse("flooded", 0)
	end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
	end = rainEvery(&r, end, 20, 4*dayHours, 25, func(int) int { return 0 })
	end = rainEvery(&r, end, 1, 4*dayHours, 25, func(int) int { return 10 })
	if p := lowest(r, end, 25); p > 0.01 {
		t.Errorf("after a dead season the next silence is %.3f likely", p)
	}
}

// What nobody heard is not learned from and not held against the pump.
func TestBlindTimeTeachesNothing(t *testing.T) {
	t.Parallel()
	r := NewResponse("flooded", 0)
	end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
	before := r.Learned(end)
	storm := end
	for n := range 10 {
		storm = end + Micros(float64(n)*4*dayHours*microsPerHour)
		rainEvery(&r, storm, 1, 4*dayHours, 25, func(int) int { return 0 })
		r.Blind(storm-microsPerHour, storm+12*microsPerHour)
	}
	after := r.Learned(storm + 20*dayHours*microsPerHour)
	if math.Abs(after.CyclesPerMm/before.CyclesPerMm-1) > 0.15 {
		t.Errorf("cycles per mm went from %.3f to %.3f", before.CyclesPerMm, after.CyclesPerMm)
	}
	blind := r
	blind.Blind(storm, storm+100*dayHours*microsPerHour)
	if p := lowest(blind, storm+3*dayHours*microsPerHour, 100); p != 1 {
		t.Errorf("silence while blind is %.4f likely, want 1", p)
	}
}

// However often the state is advanced, asked, copied or stored in between: the same.
func TestResponseIsDeterministic(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := NewResponse("damp", 0), NewResponse("damp", 0)
		at := Micros(0)
		for range rapid.IntRange(1, 80).Draw(t, "events") {
			at += rapid.Int64Range(0, 20*microsPerHour).Draw(t, "gap")
			mm := rapid.Float64Range(0, 20).Draw(t, "mm")
			b.Advance(at - microsPerHour)
			b.SilenceProbability(at)
			b.ExpectedCycles(at)
			text, err := json.Marshal(b)
			if err != nil {
				t.Fatal(err)
			}
			b = Response{}
			if err := json.Unmarshal(text, &b); err != nil {
				t.Fatal(err)
			}
			for _, r := range []*Response{&a, &b} {
				switch {
				case mm < 10:
					r.Rain(at, mm/2)
				case mm < 19:
					r.Cycle(at)
				case mm < 19.5:
					r.Tested(at)
				default:
					r.Blind(at, at+microsPerHour)
				}
			}
		}
		if p, q := a.SilenceProbability(at), b.SilenceProbability(at); p != q || !(p >= 0 && p <= 1) {
			t.Fatalf("probabilities %v and %v", p, q)
		}
		a.Advance(at)
		b.Advance(at)
		if a != b {
			t.Fatal("states differ")
		}
	})
}

// The state of a busy site stays small, for a checkpoint beside every property.
func TestResponseIsSmall(t *testing.T) {
	t.Parallel()
	r := NewResponse("flooded", 1_700_000_000_000_000)
	rainEvery(&r, 1_700_000_100_000_000, 60, 1.7*dayHours, 23.7, func(i int) int { return i % 23 })
	text, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	if len(text) > 20_000 {
		t.Errorf("%d bytes of JSON", len(text))
	}
	t.Logf("%d bytes of JSON", len(text))
}

// A storm of the design depth asks more of a wet site than a small one, and what it
// expects of rain that has fallen is what it learned: 10 cycles from 25 mm, within half.
func TestExpectedCycles(t *testing.T) {
	t.Parallel()
	r := NewResponse("damp", 0)
	end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
	small, _ := r.ExpectedOf(end, 10, 3)
	same, peak := r.ExpectedOf(end, 25, 3)
	large, _ := r.ExpectedOf(end, 100, 3)
	if !(small < same && same < large) || math.Abs(same-10) > 5 || peak > same {
		t.Errorf("10, 25, 100 mm: %.1f, %.1f, %.1f cycles, most in an hour %.1f", small, same, large, peak)
	}
	l := r.Learned(end)
	if math.Abs(l.CyclesPerMm-0.4) > 0.05 || !(l.Low < 0.4 && l.High > 0.4) {
		t.Errorf("learned %.3f cycles per mm (%.3f to %.3f), want 0.4", l.CyclesPerMm, l.Low, l.High)
	}
}

func BenchmarkLearnStorm(b *testing.B) {
	r := NewResponse("flooded", 0)
	end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
	b.ReportAllocs()
	for b.Loop() {
		c := r
		rainEvery(&c, end, 1, 2*dayHours, 25, func(int) int { return 10 })
		c.Advance(end + 2*dayHours*microsPerHour)
	}
}

func BenchmarkSilenceProbability(b *testing.B) {
	r := NewResponse("flooded", 0)
	end := rainEvery(&r, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 10 })
	r.Rain(end, 10)
	b.ReportAllocs()
	for b.Loop() {
		r.SilenceProbability(end + quarterMicros)
	}
}

// A new site whose neighbours bring 1 cycle per mm expects more of its first storm than
// one without neighbours, and less than they; neighbours that rain does not reach, or
// that have learned little, change nothing.
func TestNearbySitesMoveThePrior(t *testing.T) {
	t.Parallel()
	near := NewResponse("flooded", 0)
	end := rainEvery(&near, dayHours*microsPerHour, 25, 4*dayHours, 25, func(int) int { return 25 })
	expected := func(r Response) float64 { c, _ := r.ExpectedOf(end, 25, 3); return c }
	alone := expected(NewResponse("damp", end))
	leaning := expected(NewResponseNear("damp", end, []Response{near, near}))
	if !(alone < leaning && leaning < expected(near)) {
		t.Errorf("alone %.1f, leaning %.1f, nearby %.1f cycles", alone, leaning, expected(near))
	}
	unconnected := near
	unconnected.Unconnected = 0.5
	if r := NewResponseNear("damp", end, []Response{NewResponse("flooded", 0), unconnected}); r != NewResponse("damp", end) {
		t.Error("neighbours that know nothing changed the prior")
	}
}
