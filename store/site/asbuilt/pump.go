package asbuilt

import (
	"errors"
	"fmt"

	"underkeep/alerting/water"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Requirements of the pump and its line, SI inside.
const (
	foot           = 0.3048
	minVelocityMps = 2 * foot // carries grit, keeps the check valve open
	maxVelocityMps = 8 * foot // beyond it noise, hammer and loss grow
	minFlowShare   = 0.25     // of the rated flow; below it the pump works near shut-off
	// Inflow to be expected of a floor, rule of thumb: 14 gpm per 1,000 ft² in sand,
	// 8 in clay.
	sandInflowLpsPerM2 = 14 * 3.785411784 / 60 / (1000 * foot * foot)
	clayInflowLpsPerM2 = 8 * 3.785411784 / 60 / (1000 * foot * foot)
)

const sourceHW = "Hazen-Williams, C = 150 (77 Ill. Adm. Code 906 App. A Exhibit I); fittings by equivalent length (L/D 30 an elbow, 100 a check valve, handbook tables after Crane TP 410)"

// pumpFigures checks what the pump delivers through its line.
func pumpFigures(p site.Property) []Figure {
	s := *p.Sump
	at, err := OperatingPoint(s.Pump, s.Discharge)
	figures := []Figure{pumpFlow(s, at, err), flowShare(s, at, err), totalHead(at, err)}
	if err != nil && !errors.Is(err, water.ErrBeyondCurve) {
		return figures
	}
	line, _ := Line(s.Discharge) // it was good for the operating point
	return append(figures, friction(line, at), velocity(line, at), floorMargin(p, at))
}

var flowSpec = spec{
	"pump", "pump-flow", "What the pump delivers through this line",
	"where the pump's curve H(Q) = Hs − (Hs − Hr)(Q/Qr)², or its listed points, meets lift + friction", sourceHW, units.Flow,
}

func pumpFlow(s site.Sump, at water.CurvePoint, err error) Figure {
	switch {
	case errors.Is(err, water.ErrNoFlow):
		return flowSpec.value(0, nil, NotMet, "nothing: "+water.ErrNoFlow.Error())
	case errors.Is(err, water.ErrBeyondCurve):
		return flowSpec.value(at.FlowLps, nil, Attention, "the listed points of the curve end here; the true flow lies beyond them")
	case err != nil:
		return flowSpec.without(err, nil)
	}
	if s.Pump.RatedFlowLps == 0 {
		return flowSpec.value(at.FlowLps, nil, OK, "at its operating point")
	}
	return flowSpec.value(at.FlowLps, nil, OK, share(at.FlowLps/s.Pump.RatedFlowLps)+" of its rating, because the rating stands for another head")
}

// flowShare tells a pump that works near its shut-off head.
func flowShare(s site.Sump, at water.CurvePoint, err error) Figure {
	f := spec{
		"pump", "flow-share", "Delivered flow as a share of the rated flow", "Q(operating point)/Q(rated)",
		sourceHW, units.Percent,
	}
	req := atLeast(minFlowShare*100, commonPractice)
	switch {
	case errors.Is(err, water.ErrNoFlow):
		return f.value(0, req, NotMet, "the pump runs against its shut-off head")
	case err != nil && !errors.Is(err, water.ErrBeyondCurve):
		return f.without(err, req)
	case s.Pump.RatedFlowLps == 0:
		return f.without(missing("rated flow of the pump"), req)
	}
	return f.judge(at.FlowLps/s.Pump.RatedFlowLps*100, req, "well away from shut-off", NotMet,
		"close to the shut-off head: a little wear or lift stops the flow")
}

func totalHead(at water.CurvePoint, err error) Figure {
	f := spec{"pump", "total-head", "Head at the operating point", "H = lift + friction", sourceHW, units.Head}
	if err != nil && !errors.Is(err, water.ErrBeyondCurve) {
		return f.without(notFlowing(err), nil)
	}
	return f.value(at.HeadM, nil, OK, "lift and friction together")
}

func friction(line water.Line, at water.CurvePoint) Figure {
	f := spec{
		"discharge", "friction-head", "Friction in pipe and fittings",
		"hf = 0.2083 (100/C)^1.852 Q^1.852/d^4.8655 ft per 100 ft × (length + fittings), Q in gpm, d in inches", sourceHW, units.Head,
	}
	v := line.FrictionHeadM(at.FlowLps)
	if v > line.LiftM {
		return f.value(v, nil, Attention, "more than the lift: a wider pipe would deliver clearly more")
	}
	return f.value(v, nil, OK, "less than the lift")
}

func velocity(line water.Line, at water.CurvePoint) Figure {
	f := spec{"discharge", "velocity", "Velocity in the discharge pipe", "v = Q/(π d²/4)", "continuity", units.Velocity}
	req := between(minVelocityMps, maxVelocityMps, commonPractice)
	v := line.VelocityMps(at.FlowLps)
	why := "fast: noise, water hammer when the check valve closes, and loss"
	if v < minVelocityMps {
		why = "slow: grit settles and a check valve may not open fully"
	}
	return f.judge(v, req, "within the usual range", Attention, why)
}

// floorMargin holds the pump's flow against a rule of thumb for inflow.
func floorMargin(p site.Property, at water.CurvePoint) Figure {
	f := spec{
		"pump", "flow-for-floor", "Pump flow against the inflow to be expected of this floor",
		"floor area × 14 gpm per 1,000 ft² in sand (8 in clay)", commonPractice, units.Flow,
	}
	if p.Space == nil || p.Space.FloorAreaM2 == 0 {
		return f.without(missing("floor area"), nil)
	}
	sand, clay := p.Space.FloorAreaM2*sandInflowLpsPerM2, p.Space.FloorAreaM2*clayInflowLpsPerM2
	req := atLeast(sand, commonPractice)
	switch {
	case at.FlowLps < clay:
		return f.value(at.FlowLps, req, NotMet, fmt.Sprintf("undersized for any soil: %s of what clay asks for", share(at.FlowLps/clay)))
	case at.FlowLps < sand:
		return f.value(at.FlowLps, req, Attention, "enough for clay, not for sand or gravel")
	}
	return f.value(at.FlowLps, req, OK, share(1-sand/at.FlowLps)+" of the flow is left in a heavy inflow through sand")
}
