package site

import (
	"sort"
	"time"

	"github.com/goccy/go-yaml/ast"

	"underkeep/store/site/units"
)

// pipes named by a property file.
var pipes = []string{"pvc-sch40-1.25in", "pvc-sch40-1.5in", "pvc-sch40-2in"}

// Plausible bounds of sump figures; beyond them a unit was surely mistaken.
var (
	basinLength = bounds{0.01, 10}     // m
	headM       = bounds{0, 100}       // m
	pumpFlow    = bounds{0.001, 1_000} // L/s
)

func readSump(m *mapping) *Sump {
	if m == nil {
		return nil
	}
	s := Sump{
		BasinDiameterM:       m.number("basin_diameter", units.Length, basinLength),
		BasinTopDiameterM:    m.number("basin_top_diameter", units.Length, basinLength),
		BasinDepthM:          m.number("basin_depth", units.Length, basinLength),
		PumpDisplacementL:    m.number("pump_displacement", units.Volume, bounds{0, 200}),
		FloatOnM:             m.number("float_on", units.Length, basinLength),
		FloatOffM:            m.number("float_off", units.Length, bounds{0, 10}),
		HighWaterM:           m.number("high_water", units.Length, basinLength),
		Pump:                 readPump(m, "pump"),
		BackupPump:           readPump(m, "backup_pump"),
		Discharge:            readDischarge(m.sub("discharge")),
		WaterHistory:         m.oneOf("water_history", "dry", "damp", "flooded"),
		CommissionedDrawDown: m.duration("commissioned_draw_down", time.Millisecond, 24*time.Hour),
	}
	if d := m.sub("design_storm"); d != nil {
		d.require("depth", "duration")
		s.DesignStorm = &DesignStorm{DepthMm: d.number("depth", units.Depth, bounds{1, 2000}), Duration: d.duration("duration", 5*time.Minute, 7*24*time.Hour)}
		d.finish()
	}
	checkLevels(m, s)
	m.finish()
	return &s
}

// checkLevels refuses floats out of order, from the floor up.
func checkLevels(m *mapping, s Sump) {
	levels := []struct {
		key    string
		metres float64
	}{{"float_off", s.FloatOffM}, {"float_on", s.FloatOnM}, {"high_water", s.HighWaterM}, {"basin_depth", s.BasinDepthM}}
	for i, low := range levels {
		for _, high := range levels[i+1:] {
			if !m.has(low.key) || !m.has(high.key) || high.metres == 0 {
				continue
			}
			if low.metres >= high.metres {
				m.problem(high.key, "%s must be above %s (%s)", units.Format(units.Length, high.metres, m.sys),
					low.key, units.Format(units.Length, low.metres, m.sys))
			}
		}
	}
	if m.has("basin_top_diameter") {
		for _, key := range []string{"basin_diameter", "basin_depth"} {
			if !m.has(key) {
				m.problem("basin_top_diameter", "needs %s: the taper is from the floor to that depth", key)
			}
		}
	}
}

// readPump reads a pump as a mapping, or as the bare list of its curve points.
func readPump(m *mapping, key string) *Pump {
	n := m.node(key)
	if n == nil {
		return nil
	}
	if seq, ok := n.(*ast.SequenceNode); ok {
		return &Pump{CurvePoints: readCurve(m, key, seq.Values)}
	}
	sub := newMapping(m.p, m.at(key), n, m.sys)
	curve := "curve"
	if sub.has("points") {
		curve = "points"
	}
	pump := Pump{
		RatedFlowLps:  sub.number("rated_flow", units.Flow, pumpFlow),
		AtHeadM:       sub.number("at_head", units.Head, headM),
		ShutoffHeadM:  sub.number("shutoff_head", units.Head, headM),
		CurvePoints:   readCurve(sub, curve, sub.list(curve)),
		RatedPowerW:   sub.number("rated_power", units.Power, bounds{1, 20_000}),
		RatedCurrentA: sub.number("rated_current", units.Current, bounds{0.01, 200}),
	}
	checkPump(sub, pump, curve)
	sub.finish()
	return &pump
}

func checkPump(m *mapping, p Pump, curve string) {
	if m.has(curve) {
		for _, key := range []string{"rated_flow", "at_head", "shutoff_head"} {
			if m.has(key) {
				m.problem(key, "contradicts %s: give the points of the curve or the rating, not both", curve)
			}
		}
		return
	}
	if m.has("shutoff_head") && m.has("rated_flow") && p.ShutoffHeadM != 0 && p.ShutoffHeadM <= p.AtHeadM {
		m.problem("shutoff_head", "%s must be above at_head (%s), where the pump still delivers",
			units.Format(units.Head, p.ShutoffHeadM, m.sys), units.Format(units.Head, p.AtHeadM, m.sys))
	}
	if m.has("at_head") && !m.has("rated_flow") {
		m.problem("at_head", "needs rated_flow, the flow at that head")
	}
}

// readCurve reads `- {flow: 40 gpm, head: 5 ft}` points, sorted by flow. Along
// a pump curve head falls as flow grows.
func readCurve(m *mapping, key string, items []ast.Node) []CurvePoint {
	if items == nil {
		return nil
	}
	curve, before := make([]CurvePoint, 0, len(items)), len(m.p.list)
	for i, n := range items {
		pt := newMapping(m.p, m.item(key, i), n, m.sys)
		pt.require("flow", "head")
		curve = append(curve, CurvePoint{
			FlowLps: pt.number("flow", units.Flow, bounds{0, pumpFlow.most}),
			HeadM:   pt.number("head", units.Head, headM),
		})
		pt.finish()
	}
	if len(m.p.list) > before {
		return nil
	}
	if len(curve) < 2 {
		m.problem(key, "a pump curve needs at least two points")
	}
	sort.SliceStable(curve, func(i, j int) bool { return curve[i].FlowLps < curve[j].FlowLps })
	for i := 1; i < len(curve); i++ {
		a, b := curve[i-1], curve[i]
		if b.FlowLps == a.FlowLps || b.HeadM >= a.HeadM {
			m.problem(key, "head must fall as flow grows, but it is %s at %s and %s at %s",
				units.Format(units.Head, a.HeadM, m.sys), units.Format(units.Flow, a.FlowLps, m.sys),
				units.Format(units.Head, b.HeadM, m.sys), units.Format(units.Flow, b.FlowLps, m.sys))
		}
	}
	return curve
}

func readDischarge(m *mapping) *Discharge {
	if m == nil {
		return nil
	}
	d := Discharge{
		Pipe:            m.oneOf("pipe", pipes...),
		InsideDiameterM: m.number("inside_diameter", units.Length, bounds{0.005, 0.5}),
		LengthM:         m.number("length", units.Length, bounds{0.05, 2000}),
		LiftM:           m.number("lift", units.Length, bounds{0, 100}),
		Elbows:          int(m.number("elbows", units.Count, bounds{0, 100})),
		CheckValve:      m.yes("check_valve"),
	}
	if m.has("pipe") && m.has("inside_diameter") {
		m.problem("inside_diameter", "contradicts pipe: give one of the two")
	}
	m.finish()
	return &d
}
