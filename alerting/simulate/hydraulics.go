package simulate

import (
	"math"

	"underkeep/store/site"
)

// pumpFlowLps is what a pump delivers through its discharge line: where the
// pump's parabola H = Hs·(1 - (Q/Qmax)²) meets lift plus friction. worn scales
// head and flow together; block (0-1) is the share of that flow which still
// gets through.
func pumpFlowLps(p *site.Pump, d *site.Discharge, worn, block float64) float64 {
	shutoff, most := pumpCurve(p)
	shutoff, most = shutoff*worn*worn, most*worn // affinity: head falls with the square
	lift, friction := lineLoss(d)
	if shutoff <= lift {
		return 0
	}
	lo, hi := 0.0, most
	for range 40 {
		q := (lo + hi) / 2
		if shutoff*(1-q*q/(most*most)) > lift+friction(q) {
			lo = q
		} else {
			hi = q
		}
	}
	return lo * block
}

// pumpCurve is the shut-off head (m) and the flow at no head (L/s) of the
// parabola through what the file gives.
func pumpCurve(p *site.Pump) (shutoffM, mostLps float64) {
	switch {
	case p == nil:
		return 6.7, 3.2
	case len(p.CurvePoints) >= 2:
		a, b := p.CurvePoints[0], p.CurvePoints[len(p.CurvePoints)-1]
		// H = Hs - c·Q² through the outermost points.
		c := (a.HeadM - b.HeadM) / (b.FlowLps*b.FlowLps - a.FlowLps*a.FlowLps)
		hs := a.HeadM + c*a.FlowLps*a.FlowLps
		return hs, math.Sqrt(hs / c)
	}
	return p.ShutoffHeadM, p.RatedFlowLps / math.Sqrt(1-p.AtHeadM/p.ShutoffHeadM)
}

// lineLoss is the lift and the friction of a discharge line: Hazen-Williams
// with C = 150 (Schedule 40 plastic), elbows as 35 and the check valve as 60
// diameters of pipe (common practice, no source).
func lineLoss(d *site.Discharge) (liftM float64, friction func(lps float64) float64) {
	if d == nil {
		return 2.4, func(float64) float64 { return 0 }
	}
	bore := boreM(d)
	length := d.LengthM + 35*bore*float64(d.Elbows)
	if d.CheckValve {
		length += 60 * bore
	}
	return d.LiftM, func(lps float64) float64 {
		q := lps / 1000
		return 10.67 * length * math.Pow(q/150, 1.852) / math.Pow(bore, 4.8704)
	}
}

// boreM is the inside diameter of the discharge pipe in m.
func boreM(d *site.Discharge) float64 {
	if d.InsideDiameterM > 0 {
		return d.InsideDiameterM
	}
	switch d.Pipe {
	case "pvc-sch40-1.25in":
		return 1.380 * 0.0254
	case "pvc-sch40-2in":
		return 2.067 * 0.0254
	}
	return 1.610 * 0.0254
}

// lineVolumeL is the water that stands in the discharge line after a run.
func lineVolumeL(d *site.Discharge) float64 {
	if d == nil {
		return 0
	}
	b := boreM(d)
	return math.Pi / 4 * b * b * d.LengthM * 1000
}

// catchment is the ground that drains to the sump: dry soil keeps the first of
// the rain, the rest runs off through a quick and a slow linear reservoir.
type catchment struct {
	areaM2, storeMM, fastS, slowS float64
	soilMM, fastMM, slowMM        float64
}

const (
	fastShare  = 0.45
	runoffMost = 0.7  // share of the rain that reaches the drain when the soil is full
	soilDryS   = 9e5  // the soil's store empties with this time constant
	leakShare  = 0.06 // share of the rain that passes dry soil through cracks
	minFlowLps = 2e-6 // below this the inflow is none
)

// step takes a minute of rain (mm) and gives the inflow in L/s.
func (k *catchment) step(rainMM float64) float64 {
	fill := clamp(k.soilMM/k.storeMM, 0, 1)
	through := rainMM * (leakShare + (1-leakShare)*fill*fill)
	k.soilMM = math.Min(k.storeMM, k.soilMM+rainMM-through) * (1 - stepS/soilDryS)
	k.fastMM += through * runoffMost * fastShare
	k.slowMM += through * runoffMost * (1 - fastShare)
	fast, slow := k.fastMM*stepS/k.fastS, k.slowMM*stepS/k.slowS
	k.fastMM -= fast
	k.slowMM -= slow
	q := (fast + slow) * k.areaM2 / stepS
	if q < minFlowLps {
		return 0
	}
	return q
}
