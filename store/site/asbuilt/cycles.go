package asbuilt

import (
	"errors"
	"fmt"

	"underkeep/alerting/water"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

const sourceCycle = "MIL-HDBK-1005/9A section 2.5.3.6, eq. 1-2"

// cycle is what storage and flow say about the pump's cycles.
type cycle struct {
	storageL, flowLps float64
	areaM2            float64 // of the basin, mean between the floats
	err               error
}

func newCycle(s site.Sump) cycle {
	var c cycle
	c.storageL, c.err = storageL(s)
	at, err := OperatingPoint(s.Pump, s.Discharge)
	if err != nil && !errors.Is(err, water.ErrBeyondCurve) {
		c.err = errors.Join(c.err, notFlowing(err))
	}
	if c.err == nil {
		c.flowLps = at.FlowLps
		c.areaM2 = c.storageL / 1000 / (s.FloatOnM - s.FloatOffM)
	}
	return c
}

// notFlowing turns "cannot lift" into "not checked": it is reported once, at the flow.
func notFlowing(err error) error {
	if errors.Is(err, water.ErrNoFlow) {
		return fmt.Errorf("flow of the pump %w, it delivers nothing", errMissing)
	}
	return err
}

// cycleFigures checks how the pump will run.
func cycleFigures(p site.Property) []Figure {
	c := newCycle(*p.Sump)
	return []Figure{c.fallRate(), c.drawDown(), c.halfRun(), c.minCycle(), c.starts(p.Limits), c.condensate(p)}
}

func (c cycle) fallRate() Figure {
	f := spec{
		"pump", "fall-rate", "How fast the level falls while pumping", "Q/(V/(float on − float off))",
		geometry, units.LevelRate,
	}
	if c.err != nil {
		return f.without(c.err, nil)
	}
	return f.value(c.flowLps/1000/c.areaM2*1000, nil, OK, "without inflow")
}

func (c cycle) drawDown() Figure {
	f := spec{
		"pump", "draw-down", "Draw-down time: from float-on to float-off", "t = V/Q, without inflow",
		geometry, units.Duration,
	}
	req := atLeast(minRunSeconds, "rule of thumb, from memory: runs under about 10 s are short cycling")
	if c.err != nil {
		return f.without(c.err, req)
	}
	return f.judge(c.storageL/c.flowLps, req, "how long a cycle should last in dry weather", NotMet,
		"too short: the motor starts more than it pumps; set the floats further apart")
}

func (c cycle) halfRun() Figure {
	f := spec{
		"pump", "run-at-half", "Length of a run when inflow is half of what the pump delivers", "t = V/(Q − q) = 2V/Q",
		sourceCycle, units.Duration,
	}
	if c.err != nil {
		return f.without(c.err, nil)
	}
	t, err := water.DrawDownSeconds(c.storageL, c.flowLps, c.flowLps/2)
	if err != nil {
		return f.without(err, nil)
	}
	return f.value(t, nil, OK, "runs grow longer as inflow nears the pump's flow")
}

func (c cycle) minCycle() Figure {
	f := spec{
		"pump", "min-cycle", "Shortest cycle, run and rest, at half capacity", "t = V/(Q − q) + V/q, least at q = Q/2: 4V/Q",
		sourceCycle, units.Duration,
	}
	if c.err != nil {
		return f.without(c.err, nil)
	}
	t, err := water.MinCycleSeconds(c.storageL, c.flowLps)
	if err != nil {
		return f.without(err, nil)
	}
	return f.value(t, nil, OK, "published minimum cycle times (6 to 15 min) are for sewage stations and larger motors, and are not applied here")
}

func (c cycle) starts(limits site.Limits) Figure {
	f := spec{
		"pump", "starts-at-half", "Starts an hour when inflow is half of what the pump delivers", "3600/(4V/Q)",
		sourceCycle, units.PerHour,
	}
	req := atMost(limits.Value(site.PumpShortCycling, "starts"), "this property's limit for pump-short-cycling; "+commonPractice)
	if c.err != nil {
		return f.without(c.err, req)
	}
	n, err := water.MaxStartsPerHour(c.storageL, c.flowLps)
	if err != nil {
		return f.without(err, req)
	}
	return f.judge(n, req, "below the short-cycling limit even then", Attention,
		"a storm that fills half of the pump's capacity will look like short cycling: more storage between the floats helps")
}

// condensate is how many cycles a day the dehumidifier alone may bring.
func (c cycle) condensate(p site.Property) Figure {
	f := spec{
		"pump", "condensate-cycles", "Cycles a day from condensate alone, at most", "rated capacity/V",
		geometry, units.Count,
	}
	d := p.Dehumidifier
	switch {
	case d == nil || d.DrainsTo != "sump":
		return f.verdict(NotChecked, "not checked: no dehumidifier drains to the sump")
	case d.CapacityLPerDay == 0:
		return f.without(missing("dehumidifier capacity"), nil)
	case c.err != nil:
		return f.without(c.err, nil)
	}
	return f.value(d.CapacityLPerDay/c.storageL, nil, OK, "cycles without rain up to this many are no leak")
}
