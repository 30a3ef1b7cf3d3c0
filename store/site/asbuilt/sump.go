package asbuilt

import (
	"errors"
	"fmt"

	"underkeep/alerting/water"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Requirements of the sump, SI inside.
const (
	inch = 0.0254
	// minBasinDiameterM and minBasinDepthM: IRC P3303.1.2, 18 in and 24 in.
	minBasinDiameterM = 18 * inch
	minBasinDepthM    = 24 * inch
	// minRunSeconds: runs under about 10 s are short cycling (rule of thumb).
	minRunSeconds = 10
	// maxBackDrainShare of the storage that may drain back after a run.
	maxBackDrainShare = 0.25
	minFloatGapM      = 2 * inch
)

const sourcePit = "IRC P3303.1.2 (unless otherwise approved)"

// sumpFigures checks basin, floats, pump and discharge line.
func sumpFigures(p site.Property) []Figure {
	if p.Sump == nil {
		s := spec{part: "sump", name: "sump", label: "Sump and pump"}
		return []Figure{s.without(missing("sump"), nil)}
	}
	s := *p.Sump
	figures := []Figure{basinDiameter(s), basinDepth(s), storage(s), highWaterGap(s), reserve(s)}
	figures = append(figures, pumpFigures(p)...)
	figures = append(figures, cycleFigures(p)...)
	return append(figures, backDrain(s), backDrainShare(s), motorStarts(s), backup(s))
}

func basinDiameter(s site.Sump) Figure {
	f := spec{"sump", "basin-diameter", "Inside diameter of the basin", "as given", sourcePit, units.Length}
	req := atLeast(minBasinDiameterM, sourcePit)
	if s.BasinDiameterM == 0 {
		return f.without(missing("basin diameter"), req)
	}
	return f.judge(s.BasinDiameterM, req, "wide enough", NotMet, "narrower than the code asks for")
}

func basinDepth(s site.Sump) Figure {
	f := spec{"sump", "basin-depth", "Depth of the basin", "as given", sourcePit, units.Length}
	req := atLeast(minBasinDepthM, sourcePit)
	if s.BasinDepthM == 0 {
		return f.without(missing("basin depth"), req)
	}
	return f.judge(s.BasinDepthM, req, "deep enough", NotMet, "shallower than the code asks for")
}

func storage(s site.Sump) Figure {
	f := spec{
		"sump", "storage", "Water between the floats", "V = π d² (float on − float off)/4 − pump body; tapered: the frustum",
		geometry, units.Volume,
	}
	v, err := storageL(s)
	if err != nil {
		return f.without(err, nil)
	}
	return f.value(v, nil, OK, "what one pump cycle removes")
}

// highWaterGap checks that the high-water float stands clear above float-on, and
// below the rim.
func highWaterGap(s site.Sump) Figure {
	f := spec{
		"sump", "high-water-gap", "High-water float above float-on", "h = high water − float on",
		geometry, units.Length,
	}
	req := atLeast(minFloatGapM, commonPractice)
	switch {
	case s.HighWaterM == 0:
		return f.without(missing("high-water level"), req)
	case s.FloatOnM == 0:
		return f.without(missing("float-on level"), req)
	}
	gap := s.HighWaterM - s.FloatOnM
	switch {
	case gap <= 0:
		return f.value(gap, req, NotMet, "the high-water float is not above float-on: it would call at every cycle")
	case s.BasinDepthM > 0 && s.HighWaterM > s.BasinDepthM:
		return f.value(gap, req, NotMet, "the high-water float is above the rim: it would call only after the basin has overflowed")
	}
	return f.judge(gap, req, "clear of the normal range", Attention, "so close to float-on that waves of a normal cycle can reach it")
}

// reserve is the time from float-on to the high-water float with a dead pump.
func reserve(s site.Sump) Figure {
	f := spec{
		"sump", "reserve-time", "From float-on to high water, pump dead, inflow at half of its capacity",
		"t = V(float on → high water)/(Q/2)", geometry, units.Duration,
	}
	at, err := OperatingPoint(s.Pump, s.Discharge)
	switch {
	case s.HighWaterM == 0 || s.HighWaterM <= s.FloatOnM:
		return f.without(missing("high-water level above float-on"), nil)
	case s.BasinDiameterM == 0:
		return f.without(missing("basin diameter"), nil)
	case err != nil:
		return f.without(fmt.Errorf("flow of the pump %w (see there)", errMissing), nil)
	}
	t := Basin(s).GrossL(s.FloatOnM, s.HighWaterM) / (at.FlowLps / 2)
	return f.value(t, nil, OK, "how long the alarm can take and still be early, in a heavy inflow")
}

func backDrain(s site.Sump) Figure {
	f := spec{
		"discharge", "back-drain", "Water that drains back after each run", "V = π d² L/4 of the pipe; none behind a check valve",
		geometry, units.Volume,
	}
	line, err := Line(s.Discharge)
	if err != nil {
		return f.without(err, nil)
	}
	if line.CheckValve {
		return f.value(0, nil, OK, "held by the check valve while it closes")
	}
	return f.value(line.BackDrainL(), nil, Attention,
		"no check valve: the line empties into the basin after each run (IRC P3303.1.4 asks for one, from memory)")
}

func backDrainShare(s site.Sump) Figure {
	f := spec{
		"discharge", "back-drain-share", "Back-drain as a share of the storage", "V(back-drain)/V(between the floats)",
		geometry, units.Percent,
	}
	req := atMost(maxBackDrainShare*100, commonPractice)
	line, err := Line(s.Discharge)
	v, verr := storageL(s)
	if err = errors.Join(err, verr); err != nil {
		return f.without(err, req)
	}
	part := line.BackDrainL() / v
	why := "the pump lifts much of its water twice and starts more often"
	if part >= 1 {
		why = "what drains back fills the basin to float-on again: the pump never stops cycling"
	}
	return f.judge(part*100, req, "small", NotMet, why)
}

// motorStarts refuses to invent a limit: the published table does not cover these
// motors.
func motorStarts(s site.Sump) Figure {
	f := spec{
		"power", "motor-start-limit", "Thermal starting limit of the motor", "table of motor starts",
		"NEMA MG 10 Table 2-3", units.PerHour,
	}
	if s.Pump == nil {
		return f.without(missing("pump"), nil)
	}
	return f.verdict(NotChecked, "not checked: NEMA MG 10 Table 2-3 begins at 1 hp and covers polyphase motors only; "+
		"no published starts table for single-phase sump motors is known. The maker's figure decides")
}

// backup checks that a second pump can lift through the same line.
func backup(s site.Sump) Figure {
	f := spec{
		"pump", "backup-flow", "What the backup pump delivers through this line", "where pump curve and line meet",
		"intersection of pump curve and Hazen-Williams", units.Flow,
	}
	if s.BackupPump == nil {
		return f.without(missing("backup pump"), nil)
	}
	at, err := OperatingPoint(s.BackupPump, s.Discharge)
	if err != nil && !errors.Is(err, water.ErrBeyondCurve) {
		return f.without(err, nil)
	}
	return f.value(at.FlowLps, nil, OK, "if it shares the discharge line")
}
