package simulate

import (
	"math"

	"underkeep/store/site"
)

// Cycle is one finished run of a pump.
type Cycle struct {
	StartMS  int64   // Unix ms
	Seconds  float64 // length
	LitresIn float64 // pumped out for good
}

// unit is one pump with its float switch.
type unit struct {
	flowLps   float64 // through its line, as it is now
	on, off   float64 // levels in m at which it starts and stops
	running   bool
	startedMS int64
	pumpedL   float64
	pulseS    float64 // a seized pump's current pulse, then its rest (negative)
	cycles    []Cycle // finished since last taken
	changedMS []int64 // starts and stops since last taken
}

// basin is the sump: water, floats and up to two pumps.
type basin struct {
	present   bool
	areaM2    float64
	depthM    float64
	highM     float64 // high-water float, 0: none
	level     float64
	lineL     float64 // what can drain back
	draining  float64 // L still draining back
	primary   unit
	backup    *unit
	wet       bool // high-water float
	wetEdges  []Edge
	overflowL float64 // run over onto the liner, since last taken
}

// Edge is a change of a yes/no state.
type Edge struct {
	AtMS int64
	On   bool
}

// trouble of a basin during one minute.
type trouble struct {
	power      bool // the primary's outlet is live
	dead       bool // open motor, or its float never closes
	seized     bool
	stuckOn    bool
	drainLps   float64 // leak of the check valve
	narrow     float64 // distance between the floats, 0: as built
	flowFactor float64 // of the healthy flow
}

const (
	slice      = 5.0  // s
	pulseOnS   = 4.9  // thermal protector of a locked rotor; under one slice
	pulseRestS = 240  // s until it closes again
	intakeM    = 0.02 // below this the pump draws air
	wetBackM   = 0.008
)

func newBasin(s *site.Sump) basin {
	b := basin{present: true, depthM: s.BasinDepthM, highM: s.HighWaterM, level: s.FloatOffM + 0.02}
	b.areaM2 = math.Pi / 4 * s.BasinDiameterM * s.BasinDiameterM
	if s.BasinTopDiameterM > 0 {
		mean := (s.BasinDiameterM + s.BasinTopDiameterM) / 2
		b.areaM2 = math.Pi / 4 * mean * mean
	}
	if span := s.FloatOnM - s.FloatOffM; s.PumpDisplacementL > 0 && span > 0 {
		b.areaM2 -= s.PumpDisplacementL / 1000 / span
	}
	if b.depthM == 0 {
		b.depthM = 0.61
	}
	b.primary = unit{flowLps: pumpFlowLps(s.Pump, s.Discharge, 1, 1), on: s.FloatOnM, off: s.FloatOffM}
	b.lineL = lineVolumeL(s.Discharge)
	if s.BackupPump != nil {
		top := s.HighWaterM
		if top == 0 {
			top = b.depthM
		}
		b.backup = &unit{flowLps: pumpFlowLps(s.BackupPump, s.Discharge, 1, 1), on: s.FloatOnM + 0.6*(top-s.FloatOnM), off: s.FloatOffM}
	}
	return b
}

// step moves the water through one minute that begins at startMS.
func (b *basin) step(startMS int64, inflowLps float64, tr *trouble) {
	calm := !b.primary.running && (b.backup == nil || !b.backup.running) && b.draining == 0 && !tr.seized && !tr.stuckOn
	if calm && b.level+inflowLps*stepS/1000/b.areaM2 < min(b.startLevel(tr), b.highOr(9)) && !b.wet {
		b.level += inflowLps * stepS / 1000 / b.areaM2
		return
	}
	for s := 0.0; s < stepS; s += slice {
		b.sliceStep(startMS+int64(s*1000), inflowLps, tr)
	}
}

func (b *basin) highOr(none float64) float64 {
	if b.highM > 0 {
		return b.highM
	}
	return none
}

func (b *basin) startLevel(tr *trouble) float64 {
	if tr.narrow > 0 {
		return b.primary.off + tr.narrow
	}
	return b.primary.on
}

func (b *basin) sliceStep(atMS int64, inflowLps float64, tr *trouble) {
	left := slice
	for left > 1e-6 {
		rate := b.rate(inflowLps, tr) // m/s
		dt := min(left, b.nextTurn(rate, tr))
		b.account(dt, tr)
		b.level += rate * dt
		left -= dt
		now := atMS + int64(math.Round((slice-left)*1000))
		b.settle()
		b.switchPumps(now, tr)
		b.floatEdge(now)
	}
}

// rate at which the level changes with what runs now.
func (b *basin) rate(inflowLps float64, tr *trouble) float64 {
	net := inflowLps
	if b.draining > 0 {
		net += tr.drainLps
	}
	if b.primary.running && !tr.seized {
		net -= b.drawn(b.primary.flowLps*tr.flowFactor, net)
	}
	if b.backup != nil && b.backup.running {
		net -= b.drawn(b.backup.flowLps, net)
	}
	return net / 1000 / b.areaM2
}

// drawn is what a pump takes: at the intake it can take no more than comes in.
func (b *basin) drawn(flow, net float64) float64 {
	if b.level <= intakeM {
		return math.Min(flow, math.Max(net, 0))
	}
	return flow
}

// nextTurn is the time until the level meets the next switch on its way.
func (b *basin) nextTurn(rate float64, tr *trouble) float64 {
	if math.Abs(rate) < 1e-12 {
		return slice
	}
	next := slice
	consider := func(level float64) {
		if t := (level - b.level) / rate; t > 1e-9 && t < next {
			next = t
		}
	}
	if rate < 0 {
		consider(b.primary.off)
		consider(intakeM)
		consider(b.highOr(9) - wetBackM)
		return next
	}
	consider(b.startLevel(tr))
	consider(b.highOr(9))
	if b.backup != nil {
		consider(b.backup.on)
	}
	return next
}

// account books pumped water, back-drain and the pulses of a seized pump.
func (b *basin) account(dt float64, tr *trouble) {
	if b.draining > 0 {
		b.draining = math.Max(0, b.draining-tr.drainLps*dt)
	}
	if b.primary.running && !tr.seized {
		b.primary.pumpedL += b.primary.flowLps * tr.flowFactor * dt
	}
	if tr.seized && b.primary.pulseS != 0 {
		b.primary.pulseS -= dt
	}
	if b.backup != nil && b.backup.running {
		b.backup.pumpedL += b.backup.flowLps * dt
	}
}

func (b *basin) settle() {
	const eps = 1e-9
	if b.level > b.depthM {
		b.overflowL += (b.level - b.depthM) * b.areaM2 * 1000
		b.level = b.depthM
	}
	b.level = math.Max(b.level, intakeM-eps)
}

func (b *basin) switchPumps(nowMS int64, tr *trouble) {
	const eps = 1e-7
	p := &b.primary
	want := p.running
	switch {
	case !tr.power || tr.dead:
		want = false
	case tr.stuckOn:
		want = true
	case tr.seized:
		want = b.seizedWants(tr)
	case !p.running && b.level >= b.startLevel(tr)-eps:
		want = true
	case p.running && b.level <= p.off+eps:
		want = false
	}
	if want != p.running {
		p.set(want, nowMS)
		if !want && tr.drainLps > 0 && !tr.seized {
			b.draining = b.lineL
		}
	}
	if u := b.backup; u != nil {
		if up := b.level >= u.on-eps; up != u.running && (up || b.level <= u.off+eps) {
			u.set(up, nowMS)
		}
	}
}

// seizedWants is the current of a locked rotor under its thermal protector.
func (b *basin) seizedWants(tr *trouble) bool {
	p := &b.primary
	if b.level < b.startLevel(tr) {
		p.pulseS = 0
		return false
	}
	if p.pulseS <= -pulseRestS || p.pulseS == 0 {
		p.pulseS = pulseOnS
	}
	return p.pulseS > 0
}

func (u *unit) set(on bool, nowMS int64) {
	if on {
		u.startedMS, u.pumpedL = nowMS, 0
	} else {
		u.cycles = append(u.cycles, Cycle{StartMS: u.startedMS, Seconds: float64(nowMS-u.startedMS) / 1000, LitresIn: u.pumpedL})
	}
	u.running = on
	u.changedMS = append(u.changedMS, nowMS)
}

// floatEdge notes when the high-water float turns, with a little hysteresis.
func (b *basin) floatEdge(nowMS int64) {
	if b.highM == 0 {
		return
	}
	const eps = 1e-7
	switch {
	case !b.wet && b.level >= b.highM-eps:
		b.wet = true
	case b.wet && b.level <= b.highM-wetBackM+eps:
		b.wet = false
	default:
		return
	}
	b.wetEdges = append(b.wetEdges, Edge{AtMS: nowMS, On: b.wet})
}
