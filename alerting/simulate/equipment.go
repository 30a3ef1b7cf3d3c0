package simulate

import (
	"fmt"
	"time"

	"underkeep/store/site"
)

// Cottage describes one house of ordinary equipment; Cottage.Property builds
// its description. Zero values take the common choice.
type Cottage struct {
	ID, Name, Area string
	Owner          site.Owner
	Installed      time.Time
	Timezone       string // default America/New_York
	Location       *site.Location
	Every          time.Duration // default 5m
	FloorM2        float64       // default 95
	AirPoints      int           // default 2
	NoDehumidifier bool
	NoPower        bool // the dehumidifier's power is not measured
	NoSump         bool
	NoGauge        bool
	NoOutdoors     bool
	Fan            bool
	Backup         bool // a backup pump
	Level          bool // a water level sensor
	PumpOn         bool // the sump point tells when the pump is on
	Wood           bool
	Duct, Pipe     bool // surfaces measured
	Leak           bool
	Mains          bool // mains of the house and of the two outlets
	Battery        bool
	Narrow         bool   // floats 75 mm apart and a long 2 in line
	NoHighWater    bool   // no high-water float
	WaterHistory   string // default damp
	SetpointRH     float64
	Commissioning  time.Duration // default 14 d by the contract
	Warranty       string
}

// The exact inch, foot, US gallon (L) and cubic foot a minute (L/s).
const inch, foot, gallon, cfm = 0.0254, 0.3048, 3.785411784, 0.4719474432

var airNames = []string{"north-bay", "south-bay", "hatch", "middle", "east-bay", "west-bay"}

// Property is the description of the cottage as a property file would give it.
func (c Cottage) Property() site.Property {
	p := site.Property{
		ID: c.ID, Name: c.Name, Area: c.Area, Timezone: c.Timezone, Location: c.Location, Units: site.US,
		Owner: c.Owner, Commissioning: c.Commissioning, WarrantyTerms: c.Warranty,
		Space: &site.Space{FloorAreaM2: c.FloorM2, HeightM: 3 * foot},
	}
	if p.Timezone == "" {
		p.Timezone = "America/New_York"
	}
	if c.FloorM2 == 0 {
		p.Space.FloorAreaM2 = 95
	}
	if c.Commissioning == 0 {
		p.Commissioning = 14 * 24 * time.Hour
	}
	p.MoldClass, p.MoldDecline = "sensitive", 0.1
	y, m, d := c.Installed.Date()
	p.Installed = site.Date{Year: y, Month: m, Day: d}
	c.equip(&p)
	c.points(&p)
	return p
}

func (c Cottage) equip(p *site.Property) {
	if !c.NoDehumidifier {
		set := c.SetpointRH
		if set == 0 {
			set = 50
		}
		p.Dehumidifier = &site.Dehumidifier{SetpointRHPct: set, CapacityLPerDay: 70 * gallon / 8, DrainsTo: "outdoors"}
		if !c.NoSump {
			p.Dehumidifier.DrainsTo = "sump"
		}
	}
	if c.Fan {
		p.ExhaustFan = &site.ExhaustFan{FlowLps: 22 * cfm}
	}
	if !c.NoSump {
		p.Sump = c.sump()
	}
}

func (c Cottage) sump() *site.Sump {
	s := &site.Sump{
		BasinDiameterM: 18 * inch, BasinDepthM: 24 * inch, FloatOnM: 12 * inch, FloatOffM: 6 * inch, HighWaterM: 16 * inch,
		Pump:         &site.Pump{RatedFlowLps: 3600 * gallon / 3600, ShutoffHeadM: 22 * foot},
		Discharge:    &site.Discharge{Pipe: "pvc-sch40-1.5in", LengthM: 35 * foot, LiftM: 8 * foot, Elbows: 3, CheckValve: true},
		WaterHistory: c.WaterHistory,
	}
	if s.WaterHistory == "" {
		s.WaterHistory = "damp"
	}
	if c.Narrow {
		s.FloatOffM = s.FloatOnM - 3*inch
		s.Discharge.Pipe, s.Discharge.LengthM = "pvc-sch40-2in", 60*foot
	}
	if c.NoHighWater {
		s.HighWaterM = 0
	}
	if c.Backup {
		s.BackupPump = &site.Pump{RatedFlowLps: 1800 * gallon / 3600, ShutoffHeadM: 16 * foot}
	}
	return s
}

func (c Cottage) points(p *site.Property) {
	every := c.Every
	if every == 0 {
		every = 5 * time.Minute
	}
	n := c.AirPoints
	if n == 0 {
		n = 2
	}
	add := func(pt site.Point) { p.Points = append(p.Points, pt) }
	for i := range n {
		pt := site.Point{ID: airNames[i%len(airNames)], Measures: []site.Quantity{site.RH, site.AirTemp}, Every: every,
			Sensor: &site.Sensor{Serial: fmt.Sprintf("K%02d-%d", len(c.ID), i+1), Accuracy: map[site.Quantity]float64{site.RH: 2, site.AirTemp: 0.3}}}
		if c.Battery {
			pt.Measures = append(pt.Measures, site.Battery)
		}
		add(pt)
	}
	c.surfaces(p, every, add)
	c.devices(p, every, add)
}

func (c Cottage) surfaces(_ *site.Property, every time.Duration, add func(site.Point)) {
	if c.Duct {
		add(site.Point{ID: "supply-duct", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "duct", Air: airNames[0], Every: every})
	}
	if c.Pipe {
		add(site.Point{ID: "cold-pipe", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "pipe", Air: airNames[0], Every: every})
	}
	if c.Wood {
		add(site.Point{ID: "joist", Measures: []site.Quantity{site.WoodMoisture}, Air: airNames[0], Every: time.Hour})
	}
	if !c.NoOutdoors {
		add(site.Point{ID: "outdoors", Measures: []site.Quantity{site.RH, site.AirTemp}, Outdoors: true, Every: max(every, 15*time.Minute)})
	}
}

func (c Cottage) devices(p *site.Property, every time.Duration, add func(site.Point)) {
	if p.Sump != nil {
		pt := site.Point{ID: "sump", Measures: []site.Quantity{site.PumpRun}}
		if c.PumpOn {
			pt.Measures = append(pt.Measures, site.PumpOn)
		}
		if p.Sump.HighWaterM > 0 {
			pt.Measures = append(pt.Measures, site.HighWater)
		}
		add(pt)
		if c.Backup {
			add(site.Point{ID: "backup", Measures: []site.Quantity{site.PumpRun}, Pump: "backup"})
		}
		if c.Level {
			add(site.Point{ID: "basin", Measures: []site.Quantity{site.WaterLevel}, Every: every})
		}
	}
	if !c.NoGauge {
		add(site.Point{ID: "gauge", Measures: []site.Quantity{site.Rain}})
	}
	if p.Dehumidifier != nil && !c.NoPower {
		add(site.Point{ID: "dehumidifier", Measures: []site.Quantity{site.DehumidifierPower}, Every: every})
	}
	if c.Fan {
		add(site.Point{ID: "fan", Measures: []site.Quantity{site.FanPower}, Every: every})
	}
	if c.Leak {
		add(site.Point{ID: "low-spot", Measures: []site.Quantity{site.Leak}})
	}
	c.power(p, add)
}

func (c Cottage) power(p *site.Property, add func(site.Point)) {
	if !c.Mains {
		return
	}
	add(site.Point{ID: "house-power", Measures: []site.Quantity{site.Mains}})
	if p.Sump != nil {
		add(site.Point{ID: "pump-outlet", Measures: []site.Quantity{site.Mains}, Circuit: "pump"})
	}
	if p.Dehumidifier != nil {
		add(site.Point{ID: "dryer-outlet", Measures: []site.Quantity{site.Mains}, Circuit: "dehumidifier"})
	}
}
