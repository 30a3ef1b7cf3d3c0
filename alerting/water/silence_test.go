package water

import (
	"fmt"
	"sort"
	"testing"
)

// tally of one simulated site or of many.
type tally struct {
	years              float64
	falseCalls         int
	storms, called     int // storms in which a healthy pump would have made 3 cycles or more
	laterAll, laterHit int // those after the first 90 days
	inTime             int // called before the second missed cycle's water would reach the high-water float
	late               []float64
	cycles             int
}

func (a *tally) add(b tally) {
	a.years += b.years
	a.falseCalls += b.falseCalls
	a.storms += b.storms
	a.called += b.called
	a.laterAll += b.laterAll
	a.laterHit += b.laterHit
	a.inTime += b.inTime
	a.late = append(a.late, b.late...)
	a.cycles += b.cycles
}

func (a tally) String() string {
	sort.Float64s(a.late)
	median := 0.0
	if len(a.late) > 0 {
		median = a.late[len(a.late)/2]
	}
	return fmt.Sprintf("%.0f property-years, %d cycles, %d false calls; of %d storms with 3 cycles or more %d called (%.1f %%), after 90 days %d of %d (%.1f %%); median call at %.2f of the high-water inflow, %d in time",
		a.years, a.cycles, a.falseCalls, a.storms, a.called, 100*float64(a.called)/float64(max(1, a.storms)),
		a.laterHit, a.laterAll, 100*float64(a.laterHit)/float64(max(1, a.laterAll)), median, a.inTime)
}

// dead is a copy of a healthy site's response from the start of one storm on, whose
// pump never runs again.
type dead struct {
	r        Response
	start    Micros
	inflow   float64 // true, in cycles, since the healthy pump's last cycle
	cycles   int     // what the healthy pump made
	called   bool
	calledAt float64 // inflow then
}

const threshold = 0.01

// highWaterCycles: the high-water float stands two thirds of a storage above float-on.
const highWaterCycles = 1.67

// simulate runs one site over measured rain, healthy, and beside it a dead pump from
// the start of each storm.
func simulate(h *house, history string, rain quarters) tally {
	r := NewResponse(history, rain.start)
	out := tally{years: rain.years()}
	var d *dead
	alarm := false
	for q, mm := range rain.mm {
		from := rain.start + Micros(q)*quarterMicros
		to := from + quarterMicros
		if d != nil && (mm > 0 && !r.Storms.Raining(from) || !d.r.wet(to)) {
			out.finish(d, rain.start)
			d = nil
		}
		if d == nil && mm > 0 && !r.Storms.Raining(from) {
			d = &dead{r: r, start: from, inflow: h.basin / h.storageL}
		}
		for i, l := range h.quarter(float64(mm), float64(q)/96) {
			h.basin += l
			if d != nil {
				d.inflow += l / h.storageL
			}
			for h.basin >= h.storageL {
				h.basin -= h.storageL
				r.Cycle(from + Micros(i+1)*quarterMicros/3 - 1)
				out.cycles++
				alarm = false
				if d != nil {
					d.cycles++
				}
			}
		}
		r.Rain(to, float64(mm))
		if r.wet(to) && r.SilenceProbability(to) <= threshold && !alarm {
			out.falseCalls++
			alarm = true
		}
		if d != nil {
			d.quarter(to, float64(mm))
		}
	}
	return out
}

func (d *dead) quarter(to Micros, mm float64) {
	if d.called {
		return
	}
	d.r.Rain(to, mm)
	if d.r.SilenceProbability(to) <= threshold {
		d.called, d.calledAt = true, d.inflow
	}
}

func (a *tally) finish(d *dead, start Micros) {
	if d.cycles < 3 {
		return
	}
	a.storms++
	late := d.start-start > 90*24*microsPerHour
	if late {
		a.laterAll++
	}
	if d.called {
		a.called++
		a.late = append(a.late, d.calledAt/highWaterCycles)
		if d.calledAt <= highWaterCycles {
			a.inTime++
		}
		if late {
			a.laterHit++
		}
	} else {
		a.late = append(a.late, 1e9)
	}
}

// heldOut is rain that the model and its constants were not developed on (that was
// Newark 2013 and gauge 05408480): Kennedy and LaGuardia 2013, then Cedar Creek 2007-08.
func heldOut(t testing.TB) quarters {
	return airportRain(t, "JFK").after(airportRain(t, "LGA")).after(creekRain(t))
}

// heldOutSites: seeds from here on were not looked at during development.
const heldOutSites = 900

func many(family func(string, uint64) *house, kind, history string, seeds uint64, rain quarters) tally {
	var sum tally
	for seed := range seeds {
		sum.add(simulate(family(kind, heldOutSites+seed), history, rain))
	}
	return sum
}

// Dead pumps on simulated sites under measured rain that the model was not developed on.
// The reach is: 95 % of the storms called in which a healthy pump would have made 3 cycles,
// and at most one false call in 20 property-years. Measured with BenchmarkDeadPumps, 10
// sites of each family (35 property-years each), from the 91st day on; beside it what
// BenchmarkPerfectModel reaches, which knows each site's equations and traits and lacks
// only what no gauge tells, where it makes about as few false calls:
//
//	plain sites   97.2 % of 1381 storms, no false call     (perfect: 100 %, none)
//	noisy sites   89.6 % of 978 storms, no false call      (perfect: 99.9 %, none)
//	rough sites   63.7 % of 531 storms, no false call      (perfect: 78.6 %, 8; 60.4 %, none):
//	              their rain differs from the gauge's by 20 %
//
// The median call comes at 1.7, 2.2 and 6.6 times the inflow that reaches the high-water
// float of this basin; the perfect model's at 0.9, 1.3 and 2.8. Where there is such a
// float, the evaluator takes its word as proof; that is not counted here.
func TestDeadPumpsAreCalled(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name       string
		family     func(string, uint64) *house
		recall     float64 // from the 91st day on
		yearsACall float64 // property-years for each false call, at least
		seeds      uint64
	}{
		{"plain", plainHouse, 0.95, 20, 2},
		{"noisy", gentleHouse, 0.8, 20, 2},
		{"rough", roughHouse, 0.5, 8, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rain := heldOut(t)
			sum := many(c.family, "flooded", "flooded", c.seeds, rain)
			sum.add(many(c.family, "damp", "damp", c.seeds, rain))
			t.Log(sum)
			if got := float64(sum.laterHit) / float64(sum.laterAll); got < c.recall {
				t.Errorf("%.3f of the storms called, want %.2f", got, c.recall)
			}
			if float64(sum.falseCalls)*c.yearsACall > sum.years+c.yearsACall {
				t.Errorf("%d false calls in %.0f property-years", sum.falseCalls, sum.years)
			}
		})
	}
}

// Dry sites never cry wolf, whatever was said of them at commissioning, with condensate
// in their basin (odd seeds none) and storms of 100 mm in the record.
func TestDrySitesAreLeftAlone(t *testing.T) {
	t.Parallel()
	rain := heldOut(t)
	for _, history := range []string{"dry", "damp", "flooded", ""} {
		sum := many(roughHouse, "dry", history, 2, rain)
		if sum.falseCalls > 0 {
			t.Errorf("said to be %q: %v", history, sum)
		}
	}
}
