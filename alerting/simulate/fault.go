package simulate

import (
	"sort"
	"time"
)

// Kind names something that goes wrong, or a harmless look-alike.
type Kind uint8

// What can be injected. Size means what the comment says; 0 takes the default
// in brackets. Where a point is named, Fault.Point says which.
const (
	DehumidifierOff     Kind = iota // tripped off by itself, power at standby
	ChargeLost                      // compressor runs at reduced power and dries next to nothing
	CompressorDead                  // fan alone runs while it calls
	CoilIced                        // mostly fan alone, compressor a few minutes an hour
	SetpointRaised                  // Size: set point in %RH [70]
	AirOpening                      // hatch left open or vent reopened; Size: outdoor air changes per hour [3]
	PlumbingLeak                    // onto the liner; Size: L/day [120]; wets a leak sensor, part runs to the sump
	SpringWater                     // ground water into the sump without rain, rising over days; Size: L/day [400]
	Irrigation                      // a sprinkler by the wall, 05:00-07:00 local sun; Size: L/day [300]
	PumpDead                        // motor open: no run, no current
	PumpUnplugged                   // as PumpDead, with the outlet still live
	PumpSeized                      // locked rotor: short pulses of current, no flow
	ImpellerWorn                    // Size: share of the speed left after a month of wear [0.75]
	DischargeBlocked                // Size: share of the flow left [0.02]
	CheckValveLeak                  // the discharge line drains back after each run; Size: L/s [0.5]
	FloatStuckOn                    // the pump never stops
	FloatStuckOff                   // the pump never starts
	FloatNarrow                     // Size: distance between the floats in m [0.03]
	InflowSurge                     // Size: factor on the inflow [8]
	MainsDown                       // no power in the house
	PumpBreaker                     // the pump's outlet is dead
	DehumidifierBreaker             // the dehumidifier's outlet is dead
	ExhaustStopped                  // exhaust fan seized or unplugged
	GatewayDead                     // nothing measured, nothing stored
	UplinkDown                      // nothing arrives; stored and forwarded afterwards
	PointDead                       // one point silent
	SensorFlat                      // rh and air-temp stay at their last value
	SensorStuck                     // rh reads Size [99.9]
	SensorDrift                     // rh runs away by Size per day [1.5]
	SensorJump                      // rh is off by Size [35]
	BatteryFade                     // Size: % per day [2.5], from 40 %
	DuctBare                        // insulation off the supply duct; Size: supply air in °C [9]
	HeatingOff                      // the empty house above cools to Size °C [6]
	WoodWetted                      // water runs into the wood; Size: moisture it tends to [27]
	GaugeBlocked                    // the rain gauge reads 0
	ClockWrong                      // the gateway's clock is off by Size s [-1e9: it restarted]
	Dripping                        // condensate or a hose wets the liner's air only; Size: L/day [12]
	kinds
)

var kindNames = [kinds]string{
	"dehumidifier-off", "charge-lost", "compressor-dead", "coil-iced", "setpoint-raised", "air-opening",
	"plumbing-leak", "spring-water", "irrigation", "pump-dead", "pump-unplugged", "pump-seized", "impeller-worn",
	"discharge-blocked", "check-valve-leak", "float-stuck-on", "float-stuck-off", "float-narrow", "inflow-surge",
	"mains-down", "pump-breaker", "dehumidifier-breaker", "exhaust-stopped", "gateway-dead", "uplink-down",
	"point-dead", "sensor-flat", "sensor-stuck", "sensor-drift", "sensor-jump", "battery-fade", "duct-bare",
	"heating-off", "wood-wetted", "gauge-blocked", "clock-wrong", "dripping",
}

var kindSizes = [kinds]float64{
	SetpointRaised: 70, AirOpening: 3, PlumbingLeak: 120, SpringWater: 400, Irrigation: 300, ImpellerWorn: 0.75,
	DischargeBlocked: 0.02, CheckValveLeak: 0.5, FloatNarrow: 0.03, InflowSurge: 8, SensorStuck: 99.9,
	SensorDrift: 1.5, SensorJump: 35, BatteryFade: 2.5, DuctBare: 9, HeatingOff: 6, WoodWetted: 27,
	ClockWrong: -1e9, Dripping: 12,
}

// String is the kind's name, for tables.
func (k Kind) String() string {
	if k >= kinds {
		return "unknown"
	}
	return kindNames[k]
}

// Kinds lists everything that can be injected.
func Kinds() []Kind {
	out := make([]Kind, kinds)
	for i := range out {
		out[i] = Kind(i)
	}
	return out
}

// Fault is one thing that is wrong from From until Until (zero: to the end).
type Fault struct {
	Kind        Kind
	From, Until time.Time
	Point       string  // for point faults
	Size        float64 // see Kind; 0: default
}

// active is what is wrong at present: per kind its size and point.
type active struct {
	on    [kinds]bool
	size  [kinds]float64
	since [kinds]int64
	point [kinds]string
	spots [kinds]map[string]float64 // further points of one kind
}

func (a *active) has(k Kind) bool { return a.on[k] }

// at says whether a point fault of kind k holds at a point.
func (a *active) at(k Kind, point string) bool {
	if !a.on[k] {
		return false
	}
	_, ok := a.spots[k][point]
	return ok || a.point[k] == point
}

// sizeOr is the size of an active fault, else otherwise.
func (a *active) sizeOr(k Kind, otherwise float64) float64 {
	if a.on[k] {
		return a.size[k]
	}
	return otherwise
}

// begin recomputes what is wrong at a Unix time and says when that next changes.
func (a *active) begin(faults []Fault, now int64) (next int64) {
	next = 1<<62 - 1
	*a = active{}
	for _, f := range faults {
		from, until := f.From.Unix(), int64(1<<62-1)
		if !f.Until.IsZero() {
			until = f.Until.Unix()
		}
		if now < from {
			next = min(next, from)
			continue
		}
		if now >= until {
			continue
		}
		next = min(next, until)
		a.add(f, from)
	}
	return next
}

func (a *active) add(f Fault, from int64) {
	size := f.Size
	if size == 0 {
		size = kindSizes[f.Kind]
	}
	if a.on[f.Kind] {
		if a.spots[f.Kind] == nil {
			a.spots[f.Kind] = map[string]float64{}
		}
		a.spots[f.Kind][f.Point] = size
		return
	}
	a.on[f.Kind], a.size[f.Kind], a.since[f.Kind], a.point[f.Kind] = true, size, from, f.Point
}

// sortFaults orders by beginning, so that tables and truths read in order.
func sortFaults(faults []Fault) []Fault {
	out := append([]Fault(nil), faults...)
	sort.SliceStable(out, func(i, j int) bool { return out[i].From.Before(out[j].From) })
	return out
}
