package water

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

var siteSeeds = flag.Uint64("water.seeds", 3, "sites of each kind and history in the benchmarks of dead pumps")

var families = []struct {
	name string
	draw func(string, uint64) *house
}{{"plain", plainHouse}, {"noisy", gentleHouse}, {"rough", roughHouse}}

// BenchmarkDeadPumps prints recall, false calls and the moment of the call on sites and
// rain that were held out.
func BenchmarkDeadPumps(b *testing.B) {
	for _, f := range families {
		b.Run(f.name, func(b *testing.B) {
			var sum tally
			for b.Loop() {
				rain := heldOut(b)
				sum = many(f.draw, "flooded", "flooded", *siteSeeds, rain)
				sum.add(many(f.draw, "damp", "damp", *siteSeeds, rain))
			}
			fmt.Println(sum)
		})
	}
}

// oracle knows the equations and every trait of a site, but not the rain that the gauge
// did not see nor the noise of its inflow: no model that has only the gauge can do better.
// It calls once it expects so many cycles since the last.
type oracle struct {
	calls float64
	wrong int
	at    []float64 // share of the high-water inflow at the call; +Inf: none
}

// run a site over rain, healthy, and beside it a dead pump from the start of each storm.
func (o *oracle) run(h *house, rain quarters) {
	twin := *h
	twin.gaugeNoise, twin.flowNoise, twin.rng = 0, 0, rand.New(rand.NewPCG(1, 1))
	var storms Storms
	var d *dead
	expected, deadExpected, alarm := 0.0, 0.0, false
	for q, mm := range rain.mm {
		from := rain.start + Micros(q)*quarterMicros
		wet := storms.Count > 0 && float64(from-storms.Current.End) <= rainRestHours*microsPerHour
		begins := mm > 0 && !storms.Raining(from)
		if d != nil && (begins || !wet) {
			o.finish(d)
			d = nil
		}
		if begins {
			expected = math.Min(expected, 1)
			d, deadExpected = &dead{inflow: h.basin / h.storageL}, expected
		}
		if _, _, err := storms.Add(from, from+quarterMicros, float64(mm)); err != nil {
			panic(err)
		}
		truth, model := h.quarter(float64(mm), float64(q)/96), twin.quarter(float64(mm), float64(q)/96)
		for i := range truth {
			h.basin += truth[i]
			expected += model[i] / h.storageL
			if d != nil {
				d.inflow += truth[i] / h.storageL
				deadExpected += model[i] / h.storageL
			}
			for h.basin >= h.storageL {
				h.basin -= h.storageL
				expected, alarm = 0, false
				if d != nil {
					d.cycles++
				}
			}
		}
		if wet && expected >= o.calls && !alarm {
			o.wrong++
			alarm = true
		}
		if d != nil && wet && !d.called && deadExpected >= o.calls {
			d.called, d.calledAt = true, d.inflow
		}
	}
}

func (o *oracle) finish(d *dead) {
	switch {
	case d.cycles < 3:
	case d.called:
		o.at = append(o.at, d.calledAt/highWaterCycles)
	default:
		o.at = append(o.at, math.Inf(1))
	}
}

// BenchmarkPerfectModel prints what the best possible prediction from the gauge would
// reach, by how many expected cycles it waits for.
func BenchmarkPerfectModel(b *testing.B) {
	for _, f := range families {
		b.Run(f.name, func(b *testing.B) {
			for b.Loop() {
				rain := heldOut(b)
				for _, calls := range []float64{1.4, 1.67, 2, 3, 4, 6} {
					o, years := oracle{calls: calls}, 0.0
					for seed := range *siteSeeds {
						for _, kind := range []string{"flooded", "damp"} {
							o.run(f.draw(kind, heldOutSites+seed), rain)
							years += rain.years()
						}
					}
					missed := len(o.at)
					slices.Sort(o.at)
					for _, at := range o.at {
						if !math.IsInf(at, 1) {
							missed--
						}
					}
					fmt.Printf("%s, waits for %.2f cycles: %d false calls in %.0f property-years, %.1f %% of %d storms called, median at %.2f of the high-water inflow\n",
						f.name, calls, o.wrong, years, 100*(1-float64(missed)/float64(max(1, len(o.at)))), len(o.at), o.at[len(o.at)/2])
				}
			}
		})
	}
}
