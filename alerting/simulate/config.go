package simulate

import (
	"time"

	"underkeep/store/site"
)

// Config of one simulated space: what a file tells (Property), what no file
// tells (Traits), what the sky does, and what goes wrong.
type Config struct {
	Property site.Property
	From     time.Time // the simulation begins here, cut to the minute
	Weather  *Weather  // nil: LaGuardia as measured
	Rain     *Rain     // nil: LaGuardia as measured
	Traits   Traits
	Comms    Comms
	Faults   []Fault
	// KeepTruth records the noise-free state minute by minute (about 50 MB a
	// year); off for fleets.
	KeepTruth bool
	// NoPayload leaves packs unencoded; Message.Each still reads them.
	NoPayload bool
}

// Traits of a space that its property file does not tell. Zero takes the
// default in brackets. The defaults describe a sealed, dried space of ordinary
// make; they are common practice, no source.
type Traits struct {
	AirChangesPerHour float64 // leakage with outdoors [0.08]
	GroundLPerDay     float64 // moisture through liner and walls at 50 %RH and 16 °C [1.6 per 100 m2]
	WoodKg            float64 // framing that answers within hours [2.5 per m2]
	HouseTempC        float64 // above the floor [22]
	GroundMeanC       float64 // deep ground, mean of the year [14.5]
	GroundSwingC      float64 // its amplitude [5.5]
	StartRHPct        float64 // [set point, else 55]

	DehumidifierWatts float64 // compressor and fan [560]
	HumidistatOffset  float64 // %RH its humidistat reads high [0]
	ExhaustWatts      float64 // [24]
	DuctCover         float64 // share of the supply air's cold that the duct's insulation keeps off its surface [0.82]
	SupplyAirC        float64 // cooling supply air [13]

	CatchmentM2   float64 // ground that drains to the sump [by water history: dry 0.05, damp 14, flooded 70]
	SoilStoreMM   float64 // rain that dry soil keeps [16]
	FastHours     float64 // quick drainage [5]
	SlowDays      float64 // slow drainage [2]
	SeepLPerDay   float64 // steady ground water [0]
	WetLocation   float64 // share of a plumbing leak that runs to the sump [0.7]
	PumpPowerNone bool    // the sump point cannot tell that the pump is on (no pump-on)
}

// Comms is how the gateway talks and how well the sensors measure.
type Comms struct {
	Gateway         string        // [gw-1]
	PackEvery       time.Duration // readings gathered before sending [sent at once]
	DropShare       float64       // share of samples lost for good [0.003]
	DuplicateShare  float64       // share of packs sent twice [0.002]
	AbsoluteTimes   bool          // every record with its own time instead of a base time
	BatteryBackup   time.Duration // how long the gateway measures without mains [8h]
	UplinkNeedsGrid bool          // the way out dies with the mains
	StoreRecords    int           // how many records it keeps while cut off [200,000]
	NoiseFactor     float64       // on sensor noise [1]; below 0: none, and no bias
}

func (c Config) withDefaults() Config {
	if c.Weather == nil {
		c.Weather = MeasuredWeather(LaGuardia, 0)
	}
	if c.Rain == nil {
		c.Rain = MeasuredRain(LaGuardia, 0)
	}
	if c.Property.Space == nil {
		c.Property.Space = &site.Space{FloorAreaM2: 95, HeightM: 0.9}
	}
	c.Traits = c.Traits.withDefaults(c.Property)
	c.Comms = c.Comms.withDefaults()
	c.Faults = sortFaults(c.Faults)
	return c
}

func (t Traits) withDefaults(p site.Property) Traits {
	area := p.Space.FloorAreaM2
	setDefault(&t.AirChangesPerHour, 0.08)
	setDefault(&t.GroundLPerDay, 1.6*area/100)
	setDefault(&t.WoodKg, 2.5*area)
	setDefault(&t.HouseTempC, 22)
	setDefault(&t.GroundMeanC, 14.5)
	setDefault(&t.GroundSwingC, 5.5)
	start := 55.0
	if p.Dehumidifier != nil {
		start = p.Dehumidifier.SetpointRHPct
	}
	setDefault(&t.StartRHPct, start)
	setDefault(&t.DehumidifierWatts, 560)
	setDefault(&t.ExhaustWatts, 24)
	setDefault(&t.DuctCover, 0.82)
	setDefault(&t.SupplyAirC, 13)
	catchment := map[string]float64{"dry": 0.05, "damp": 14, "flooded": 70}
	if p.Sump != nil {
		setDefault(&t.CatchmentM2, catchment[p.Sump.WaterHistory])
	}
	setDefault(&t.CatchmentM2, 10)
	setDefault(&t.SoilStoreMM, 16)
	setDefault(&t.FastHours, 5)
	setDefault(&t.SlowDays, 2)
	setDefault(&t.WetLocation, 0.7)
	return t
}

func (c Comms) withDefaults() Comms {
	if c.Gateway == "" {
		c.Gateway = "gw-1"
	}
	setDefault(&c.DropShare, 0.003)
	setDefault(&c.DuplicateShare, 0.002)
	setDefault(&c.NoiseFactor, 1)
	if c.NoiseFactor < 0 {
		c.NoiseFactor = 0
	}
	if c.BatteryBackup == 0 {
		c.BatteryBackup = 8 * time.Hour
	}
	if c.StoreRecords == 0 {
		c.StoreRecords = 200_000
	}
	return c
}

func setDefault(x *float64, v float64) {
	if *x == 0 {
		*x = v
	}
}
