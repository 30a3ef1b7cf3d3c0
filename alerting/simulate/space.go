package simulate

import (
	"math"
	"time"

	"underkeep/store/site"
)

// Space is one simulated space with its house, gateway and sky. It is not safe
// for use by several goroutines at once.
type Space struct {
	property site.Property
	traits   Traits
	comms    Comms
	weather  *Weather
	rain     *Rain
	faults   []Fault
	seed     uint64

	now     int64 // Unix s, whole minutes
	turnsAt int64 // when the set of active faults next changes
	wrong   active

	air       climate
	dry       dehumidifier
	sump      basin
	twin      basin // the same water with a healthy pump
	ground    catchment
	flow      float64 // healthy flow factor of the pump as it is now
	drive     drives
	fanW      float64
	outC      float64
	outPa     float64
	rainMM    float64 // in the minute just passed
	leakWet   bool
	wetMin    int // minutes the leak point has been dry again
	pointWood []float64
	batteries []float64
	places    []place
	channels  []channel
	gate      gateway
	mute      bool // packs are not encoded
	heard     bool // the service heard of the gateway in the minute just passed
	truth     *Truth
	onMinute  func(*Space) // hook of a fleet that plans ahead
}

// NewSpace builds a space; the seed decides everything that is left to chance.
// It panics on a configuration that cannot be simulated (no points, or no start).
func NewSpace(cfg Config, seed uint64) *Space {
	cfg = cfg.withDefaults()
	if len(cfg.Property.Points) == 0 || cfg.From.IsZero() {
		panic("simulate: a space needs points and a start: " + cfg.Property.ID)
	}
	s := &Space{
		property: cfg.Property, traits: cfg.Traits, comms: cfg.Comms, weather: cfg.Weather, rain: cfg.Rain,
		faults: cfg.Faults, seed: seed, now: cfg.From.Unix() / 60 * 60, flow: 1, mute: cfg.NoPayload,
		channels: newChannels(&cfg.Property, cfg.Comms, seed), gate: newGateway(cfg.Property.ID, cfg.Comms),
	}
	s.furnish()
	if cfg.KeepTruth {
		s.truth = newTruth(s)
	}
	return s
}

// furnish sets up equipment and the state at the start.
func (s *Space) furnish() {
	sp := s.property.Space
	height := sp.HeightM
	if height == 0 {
		height = 0.9
	}
	side := math.Sqrt(sp.FloorAreaM2)
	deep := deepGround(s.now, s.traits.GroundMeanC, s.traits.GroundSwingC)
	c := &s.air
	c.areaM2, c.volumeM3, c.wallM2 = sp.FloorAreaM2, sp.FloorAreaM2*height, 4*side*height
	c.groundC = deep + 0.4
	c.airC = 0.6*deep + 0.4*s.traits.HouseTempC
	c.vapourPa = s.traits.StartRHPct / 100 * saturationPa(c.airC)
	c.woodPct = woodMoisturePct(s.traits.StartRHPct)
	c.corePct, c.ductC, c.pipeC = c.woodPct, c.airC, c.airC
	if d := s.property.Dehumidifier; d != nil {
		capacity := d.CapacityLPerDay
		if capacity == 0 {
			capacity = 33
		}
		s.dry = dehumidifier{present: true, setpoint: d.SetpointRHPct, ratedKgS: capacity / 86400,
			watts: s.traits.DehumidifierWatts, offset: s.traits.HumidistatOffset, seed: s.seed, restS: compressorRest}
	}
	if s.property.Sump != nil {
		s.sump = newBasin(s.property.Sump)
		s.twin = newBasin(s.property.Sump)
	}
	s.ground = catchment{areaM2: s.traits.CatchmentM2, storeMM: s.traits.SoilStoreMM,
		fastS: s.traits.FastHours * 3600, slowS: s.traits.SlowDays * 86400, soilMM: 0.4 * s.traits.SoilStoreMM}
	s.furnishPoints()
}

func (s *Space) furnishPoints() {
	n := len(s.property.Points)
	s.places = make([]place, n)
	s.pointWood = make([]float64, n)
	s.batteries = make([]float64, n)
	for i := range s.places {
		s.places[i] = place{
			offsetC: between(s.seed, 21, uint64(i), -0.5, 0.5),
			outPull: between(s.seed, 22, uint64(i), 0, 0.04),
			vapour:  between(s.seed, 23, uint64(i), 0.985, 1.015),
		}
		s.pointWood[i] = s.air.woodPct
		s.batteries[i] = between(s.seed, 24, uint64(i), 70, 100)
	}
}

// ID is the property's id.
func (s *Space) ID() string { return s.property.ID }

// Gateway is the name of the space's gateway.
func (s *Space) Gateway() string { return s.gate.name }

// Property is the description of what is installed.
func (s *Space) Property() site.Property { return s.property }

// Now is the simulated time reached.
func (s *Space) Now() time.Time { return time.Unix(s.now, 0).UTC() }

// Faults that are or were injected, in order of their beginning.
func (s *Space) Faults() []Fault { return append([]Fault(nil), s.faults...) }

// Inject adds a fault; one that has begun already takes hold at the next minute.
func (s *Space) Inject(f Fault) {
	s.faults = sortFaults(append(s.faults, f))
	s.turnsAt = 0
}

// Truth is the noise-free record, nil unless the configuration asked for it.
func (s *Space) Truth() *Truth { return s.truth }

// Report changes how often sampled points report from now on, and how long the
// gateway gathers; 0 keeps what the configuration says.
func (s *Space) Report(sample, pack time.Duration) {
	for i := range s.channels {
		if c := &s.channels[i]; c.everyS > 0 && sample > 0 {
			c.everyS = int64(sample / time.Second)
			c.phaseS = 0
		}
	}
	if pack > 0 {
		s.gate.everyS = int64(pack / time.Second)
	}
}

// Advance steps the space through every whole minute up to to, and hands over
// what the broker delivers, in order of arrival.
func (s *Space) Advance(to time.Time, emit func(Message)) {
	for end := to.Unix(); s.now+stepS <= end; {
		s.minute(emit)
	}
}

// Drain sends what the gateway still gathers, for the end of a recording.
func (s *Space) Drain(emit func(Message)) {
	if len(s.gate.waiting) > 0 && s.gate.up {
		s.forward(s.Now(), emit)
	}
}

func (s *Space) minute(emit func(Message)) {
	if s.now >= s.turnsAt {
		s.turnsAt = s.wrong.begin(s.faults, s.now)
		s.refit()
	}
	if s.wrong.has(ImpellerWorn) && s.now%86400 == 0 {
		s.refit()
	}
	start := s.now
	s.outC, s.outPa = s.weather.At(start)
	s.rainMM = s.rain.DepthMM(start) * stepS / rainStep
	s.stepAir(start)
	s.stepWater(start)
	s.now += stepS
	alive := s.gatewayAlive(s.now)
	s.gate.clockMS = 0
	if s.wrong.has(ClockWrong) {
		s.gate.clockMS = int64(s.wrong.size[ClockWrong] * 1000)
	}
	s.sample(s.now, alive)
	s.transmit(s.now, alive, emit)
	if s.truth != nil {
		s.truth.minute(s)
	}
	if s.onMinute != nil {
		s.onMinute(s)
	}
}

// refit works out what the faults now active change in the equipment.
func (s *Space) refit() {
	s.flow = 1
	if s.property.Sump != nil {
		worn := 1.0
		if s.wrong.has(ImpellerWorn) { // wears down over weeks
			share := clamp(float64(s.now-s.wrong.since[ImpellerWorn])/wearS, 0, 1)
			worn = 1 - share*(1-s.wrong.size[ImpellerWorn])
		}
		block := s.wrong.sizeOr(DischargeBlocked, 1)
		s.flow = pumpFlowLps(s.property.Sump.Pump, s.property.Sump.Discharge, worn, block) / max(s.sump.primary.flowLps, 1e-9)
	}
}

func (s *Space) stepAir(start int64) {
	t, d := &s.traits, &s.drive
	d.outC, d.outPa = s.outC, s.outPa
	d.houseC = s.wrong.sizeOr(HeatingOff, t.HouseTempC)
	d.housePa = min(s.outPa+250, 0.52*saturationPa(d.houseC))
	d.deepC = deepGround(start, t.GroundMeanC, t.GroundSwingC)
	d.openingACH = t.AirChangesPerHour * (0.8 + 0.4*uniform(s.seed, 31, uint64(start/3600)))
	if s.wrong.has(AirOpening) {
		d.openingACH += s.wrong.size[AirOpening] * (0.6 + 0.8*uniform(s.seed, 32, uint64(start/3600)))
	}
	s.stepFan()
	d.groundKgPerPa = t.GroundLPerDay / 86400 / 908 // 908 Pa: from saturated ground at 16 °C to air at 50 %RH
	d.wetKgPerPa = s.wetArea() * filmVapour * 1.5
	d.woodKg = t.WoodKg
	d.dripKg = 0
	if s.wrong.has(Dripping) {
		d.dripKg = s.wrong.size[Dripping] / 86400
	}
	s.dry.step(&s.air, &s.wrong, s.outletLive("dehumidifier"), uint64(start/60))
	d.removalKg = s.dry.removalKg
	d.heatW = s.dry.powerW + s.dry.removalKg*latentJ
	s.air.step(d)
	cooling := s.cooling(start)
	supply, cover := t.SupplyAirC, t.DuctCover
	if s.wrong.has(DuctBare) {
		supply, cover = s.wrong.size[DuctBare], 0.08
	}
	s.air.stepSurfaces(cooling, cover, supply, d.deepC, 0.25)
	s.stepWood()
}

func (s *Space) stepFan() {
	s.fanW, s.drive.houseACH = 0, 0
	f := s.property.ExhaustFan
	if f == nil || !s.gridLive() || s.wrong.has(ExhaustStopped) {
		return
	}
	s.fanW = s.traits.ExhaustWatts
	s.drive.houseACH = f.FlowLps * 3.6 / s.air.volumeM3
}

// cooling says whether the house's air conditioner runs in this minute: longer
// turns the hotter it is outside.
func (s *Space) cooling(start int64) bool {
	if !s.gridLive() {
		return false
	}
	duty := clamp((s.outC-19)/11, 0, 1)
	if s.wrong.has(DuctBare) {
		duty = clamp((s.outC-12)/8, 0, 1) // the bare duct loses what it should bring: longer turns
	}
	const turn = 1200
	return float64(floorMod(start+int64(s.seed%turn), turn)) < duty*turn
}

// wetArea is the liner under standing water, from leaks and an overflowing basin.
func (s *Space) wetArea() float64 {
	c := &s.air
	if s.wrong.has(PlumbingLeak) {
		c.poolKg += s.wrong.size[PlumbingLeak] / 86400 * stepS * (1 - s.traits.WetLocation)
	}
	if s.sump.overflowL > 0 {
		c.poolKg += s.sump.overflowL
		s.sump.overflowL = 0
	}
	c.poolKg = min(c.poolKg, 600)
	return min(c.poolKg/4, 0.6*c.areaM2)
}

// stepWood moves the measured wood, each point with its own air.
func (s *Space) stepWood() {
	const tau = 10 * 86400
	for i := range s.property.Points {
		pt := &s.property.Points[i]
		if len(pt.Measures) == 0 || pt.Outdoors || !measures(pt, site.WoodMoisture) {
			continue
		}
		goal, t := s.air.woodPct, float64(tau)
		if s.wrong.at(WoodWetted, pt.ID) {
			goal, t = s.wrong.size[WoodWetted], 2*86400
		}
		s.pointWood[i] += (goal - s.pointWood[i]) * stepS / t
	}
}

func measures(pt *site.Point, q site.Quantity) bool {
	for _, m := range pt.Measures {
		if m == q {
			return true
		}
	}
	return false
}

func (s *Space) stepWater(start int64) {
	inflow := s.ground.step(s.rainMM)
	inflow *= s.wrong.sizeOr(InflowSurge, 1)
	inflow += s.traits.SeepLPerDay / 86400
	inflow += s.spring(start)
	if s.wrong.has(PlumbingLeak) {
		inflow += s.wrong.size[PlumbingLeak] / 86400 * s.traits.WetLocation
	}
	if h := floorMod(start/3600-5, 24); s.wrong.has(Irrigation) && (h == 5 || h == 6) {
		inflow += s.wrong.size[Irrigation] / 7200
	}
	s.wetLeakPoint()
	if !s.sump.present {
		return
	}
	if d := s.property.Dehumidifier; d != nil && d.DrainsTo == "sump" {
		inflow += s.dry.condensate() / stepS
	}
	tr := trouble{
		power: s.outletLive("pump"), seized: s.wrong.has(PumpSeized), stuckOn: s.wrong.has(FloatStuckOn),
		dead:     s.wrong.has(PumpDead) || s.wrong.has(PumpUnplugged) || s.wrong.has(FloatStuckOff),
		drainLps: s.wrong.sizeOr(CheckValveLeak, 0), narrow: s.wrong.sizeOr(FloatNarrow, 0), flowFactor: s.flow,
	}
	s.sump.step(start*1000, inflow, &tr)
	if s.truth != nil {
		s.twin.step(start*1000, inflow, &trouble{power: true, flowFactor: 1})
		s.truth.inflow = inflow
	}
}

// wearS is how long an impeller takes to wear, springS how long ground water
// takes to rise.
const (
	wearS   = 30 * 86400.0
	springS = 1.5 * 86400
)

// spring is ground water in L/s: it rises over days and swings slowly.
func (s *Space) spring(start int64) float64 {
	if !s.wrong.has(SpringWater) {
		return 0
	}
	age := float64(start - s.wrong.since[SpringWater])
	swing := 1 + 0.2*math.Sin(2*math.Pi*age/(5*86400)) + 0.15*math.Sin(2*math.Pi*age/(1.3*86400))
	return s.wrong.size[SpringWater] / 86400 * (1 - math.Exp(-age/springS)) * swing
}

// wetLeakPoint: the leak sensor lies at the low spot of the liner.
func (s *Space) wetLeakPoint() {
	wet := s.air.poolKg > 3
	if wet {
		s.wetMin = 0
	} else {
		s.wetMin++
	}
	s.leakWet = wet || s.leakWet && s.wetMin < 5
}
