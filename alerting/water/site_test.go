package water

import (
	"math"
	"math/rand/v2"
)

// house is a simulated site, on purpose not built like the bank that learns it:
// interception, infiltration excess and saturation, a non-linear quick store, a water
// table with a threshold, seasonal evaporation, condensate, rain that differs from the
// gauge's by storm, and wandering noise on the inflow. Water in litres, 5-min steps.
type house struct {
	areaM2, storageL       float64
	soilMm, infiltrateMmH  float64 // soil capacity, rate above which rain runs off
	curve                  float64 // exponent of saturation
	quick, quickPower      float64 // outflow of the quick store
	recharge               float64 // share of the excess that goes to the water table
	tableHours, thresholdM float64
	condensateLPerDay      float64
	gaugeNoise, flowNoise  float64 // ln units
	canopyMm               float64 // interception

	canopy, soil, store, table, basin float64
	gaugeFactor, noise                float64
	dryQuarters                       int
	rng                               *rand.Rand
}

// plainHouse draws a site with a soil store and two linear reservoirs only, whose rain
// is nearly the gauge's.
func plainHouse(kind string, seed uint64) *house {
	h := gentleHouse(kind, seed)
	h.curve, h.soilMm, h.recharge, h.tableHours = 2, 10+h.soilMm/5, 0.55, 24+h.tableHours/2
	h.gaugeNoise, h.flowNoise = 0.03, 0.03
	return h
}

// gentleHouse draws a site without interception, infiltration excess or threshold.
func gentleHouse(kind string, seed uint64) *house {
	h := roughHouse(kind, seed)
	h.canopyMm, h.infiltrateMmH, h.thresholdM, h.quickPower = 0, 1e9, 0, 1
	h.gaugeNoise, h.flowNoise = 0.1, 0.1
	return h
}

// roughHouse draws a site: "flooded", "damp" or "dry".
func roughHouse(kind string, seed uint64) *house {
	rng := rand.New(rand.NewPCG(seed, 7))
	u := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	h := &house{
		storageL: u(20, 60), soilMm: u(20, 90), infiltrateMmH: u(4, 25), curve: u(1, 3),
		quick: u(0.01, 0.08), quickPower: u(1, 1.6), recharge: u(0.1, 0.6),
		tableHours: u(24, 150), thresholdM: u(2, 15), gaugeNoise: 0.2, flowNoise: 0.15, rng: rng, gaugeFactor: 1, canopyMm: 1.5,
	}
	switch kind {
	case "flooded":
		h.areaM2 = u(60, 200)
	case "damp":
		h.areaM2 = u(15, 60)
	case "dry":
		h.areaM2 = u(0, 0.6)
		if seed%2 == 0 {
			h.condensateLPerDay = u(5, 30)
		}
	}
	h.soil = h.soilMm / 2
	return h
}

// quarter runs a quarter of an hour with the gauge's rain and returns the inflow in
// litres of each of its three 5-min steps.
func (h *house) quarter(gaugeMm float64, dayOfYear float64) (inflowL [3]float64) {
	if gaugeMm > 0 {
		if h.dryQuarters > 24 {
			h.gaugeFactor = math.Exp(h.gaugeNoise*h.rng.NormFloat64() - h.gaugeNoise*h.gaugeNoise/2)
		}
		h.dryQuarters = 0
	} else {
		h.dryQuarters++
	}
	season := 0.5 - 0.5*math.Cos(2*math.Pi*(dayOfYear-15)/365)
	h.noise = 0.995*h.noise + math.Sqrt(1-0.995*0.995)*h.flowNoise*h.rng.NormFloat64()
	for i := range inflowL {
		inflowL[i] = h.fiveMinutes(gaugeMm/3*h.gaugeFactor, season)
	}
	return inflowL
}

func (h *house) fiveMinutes(mm, season float64) float64 {
	const steps = 288.0 // a day
	evaporate := (0.5 + 4.5*season) / steps
	caught := math.Min(mm, h.canopyMm-h.canopy)
	h.canopy = math.Max(0, h.canopy+caught-2*evaporate)
	mm -= caught
	runoff := math.Max(0, mm-h.infiltrateMmH/12)
	mm -= runoff
	excess := mm * math.Pow(h.soil/h.soilMm, h.curve)
	h.soil = math.Min(h.soilMm, math.Max(0, h.soil+mm-excess-evaporate*h.soil/h.soilMm-h.soil/(10*steps)))
	h.store += 0.4*runoff + excess*(1-h.recharge)
	h.table += excess * h.recharge
	fast := math.Min(h.store, h.quick*math.Pow(h.store, h.quickPower))
	h.store -= fast
	slow := math.Max(0, h.table-h.thresholdM) / (h.tableHours * 12)
	h.table -= slow + h.table/(40*steps)
	return (fast+slow)*h.areaM2*math.Exp(h.noise) + h.condensateLPerDay*season/steps
}
