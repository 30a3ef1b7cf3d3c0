package simulate

import (
	"slices"
	"time"

	"underkeep/store/site"
)

// Truth is what was really the case, minute by minute and without noise: the
// measure by which an evaluator is judged. Index i is the end of minute i after
// Start.
type Truth struct {
	Property site.Property
	Start    time.Time
	Faults   []Fault

	Air     map[string]*Air      // per air point, outdoors included
	Surface map[string][]float32 // °C
	Wood    map[string][]float32 // %
	Level   []float32            // m
	Inflow  []float32            // L/s into the basin
	RainMM  []float32            // per minute
	DryW    []float32            // dehumidifier
	FanW    []float32
	Battery map[string][]float32

	Mains  map[string][]bool // per circuit: "", "pump", "dehumidifier"
	Leak   []bool
	Heard  []bool            // a message of the gateway arrived in this minute
	Alive  []bool            // the gateway measured
	Quiet  map[string][]bool // the point is dead
	PumpOn []bool

	HighWater []Edge
	Cycles    []Cycle // of the primary pump
	Backup    []Cycle
	Twin      []Cycle // runs that a healthy primary pump would have made
	TwinHigh  []Edge  // and its high-water float

	inflow float64
}

// Air at one point: what is there, and what a sensor without noise but with
// its injected fault says.
type Air struct {
	RH, TempC         []float32
	SaysRH, SaysTempC []float32
	Outdoors          bool
	flat              bool
	heldRH, heldTempC float32
}

func newTruth(s *Space) *Truth {
	t := &Truth{Property: s.property, Start: s.Now(), Faults: s.Faults(), Air: map[string]*Air{}, Surface: map[string][]float32{},
		Wood: map[string][]float32{}, Battery: map[string][]float32{}, Mains: map[string][]bool{}, Quiet: map[string][]bool{}}
	for _, pt := range s.property.Points {
		if measures(&pt, site.RH) {
			t.Air[pt.ID] = &Air{Outdoors: pt.Outdoors}
		}
	}
	return t
}

// minute notes the state at the end of a minute.
func (t *Truth) minute(s *Space) {
	for i := range s.property.Points {
		t.point(s, i, &s.property.Points[i])
	}
	t.Level = append(t.Level, float32(s.sump.level))
	t.Inflow = append(t.Inflow, float32(t.inflow))
	t.RainMM = append(t.RainMM, float32(s.rainMM))
	t.DryW = append(t.DryW, float32(s.dry.powerW))
	t.FanW = append(t.FanW, float32(s.fanW))
	t.Leak = append(t.Leak, s.leakWet)
	t.Heard = append(t.Heard, s.heard)
	t.Alive = append(t.Alive, s.gatewayAlive(s.now))
	t.PumpOn = append(t.PumpOn, s.sump.primary.running)
	for _, circuit := range []string{"", "pump", "dehumidifier"} {
		t.Mains[circuit] = append(t.Mains[circuit], s.outletLive(circuit))
	}
}

func (t *Truth) point(s *Space, i int, pt *site.Point) {
	if a := t.Air[pt.ID]; a != nil {
		t.air(s, a, i, pt)
	}
	if measures(pt, site.SurfaceTemp) {
		t.Surface[pt.ID] = append(t.Surface[pt.ID], float32(s.surfaceAt(i, pt)))
	}
	if measures(pt, site.WoodMoisture) {
		t.Wood[pt.ID] = append(t.Wood[pt.ID], float32(s.pointWood[i]))
	}
	if measures(pt, site.Battery) {
		t.Battery[pt.ID] = append(t.Battery[pt.ID], float32(s.batteryAt(i, pt, s.now)))
	}
	t.Quiet[pt.ID] = append(t.Quiet[pt.ID], s.wrong.at(PointDead, pt.ID))
}

func (t *Truth) air(s *Space, a *Air, i int, pt *site.Point) {
	tempC, pa := s.airAt(i, pt.Outdoors)
	rh := float32(rhPct(pa, tempC))
	a.RH, a.TempC = append(a.RH, rh), append(a.TempC, float32(tempC))
	saysRH, saysT := rh, float32(tempC)
	if flat := s.wrong.at(SensorFlat, pt.ID); flat {
		if !a.flat {
			a.heldRH, a.heldTempC = rh, float32(tempC)
		}
		saysRH, saysT, a.flat = a.heldRH, a.heldTempC, true
	} else {
		a.flat = false
		probe := channel{point: i, quantity: site.RH}
		saysRH = float32(s.fail(&probe, float64(rh), s.now))
	}
	a.SaysRH, a.SaysTempC = append(a.SaysRH, saysRH), append(a.SaysTempC, saysT)
}

// water takes the finished runs and float changes of the minute.
func (t *Truth) water(s *Space) {
	t.Cycles = append(t.Cycles, s.sump.primary.cycles...)
	if s.sump.backup != nil {
		t.Backup = append(t.Backup, s.sump.backup.cycles...)
	}
	t.HighWater = append(t.HighWater, s.sump.wetEdges...)
	t.Twin = append(t.Twin, s.twin.primary.cycles...)
	t.TwinHigh = append(t.TwinHigh, s.twin.wetEdges...)
}

// Len is the number of minutes kept.
func (t *Truth) Len() int { return len(t.RainMM) }

// At is the moment of index i.
func (t *Truth) At(i int) time.Time { return t.Start.Add(time.Duration(i+1) * time.Minute) }

// Index of the first minute that ends at or after a moment, held to the record.
func (t *Truth) Index(at time.Time) int {
	i := int((at.Sub(t.Start)+time.Minute-1)/time.Minute) - 1
	return max(0, min(i, t.Len()-1))
}

// AirPoints are the indoor air points in the order of their names.
func (t *Truth) AirPoints() []string {
	var out []string
	for id, a := range t.Air {
		if !a.Outdoors {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out
}
