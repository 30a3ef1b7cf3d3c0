// Package site describes what was installed where: properties, their points
// and equipment, and the limits they are watched by. It reads and checks
// property files and imports no database, network or clock.
//
// All figures are SI inside, with the unit in the field's name; the property's
// own units come back only where a person reads them.
package site

import (
	"time"

	"underkeep/store/site/units"
)

// Property is one house with one space, as one property file describes it.
type Property struct {
	ID        string // [a-z0-9][a-z0-9-]{0,39}
	Name      string
	Area      string // optional: how the company groups its houses, for the fleet page
	Timezone  string // IANA name
	Location  *Location
	Units     UnitSystem
	Installed Date
	Effective *Date // a change from that day on; nil corrects the description from the start
	Owner     Owner

	Space        *Space
	Dehumidifier *Dehumidifier
	ExhaustFan   *ExhaustFan
	Sump         *Sump
	Points       []Point

	WeatherStation string
	StormGap       time.Duration // least dry time between two storms; 0: the default of 6 h
	MoldClass      string        // very-sensitive | sensitive | medium-resistant | resistant; default sensitive
	MoldDecline    float64       // decline factor, default 0.1
	Commissioning  time.Duration // drying-out period after Installed, default 14 d
	Limits         Limits
	WarrantyTerms  string // name of a set of terms, "" for none
}

// Date is a calendar day in the property's time zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// Location in degrees, WGS 84.
type Location struct{ Lat, Lon float64 }

// UnitSystem is how a property's figures are shown.
type UnitSystem = units.System

// The unit systems of a property file.
const (
	US = units.US
	SI = units.SI
)

// Owner of the house; never written to sealed evidence in the clear.
type Owner struct{ Name, Email, Phone, Language string }

// Space under the house.
type Space struct {
	FloorAreaM2 float64
	HeightM     float64 // 0: not given
}

// Dehumidifier as installed.
type Dehumidifier struct {
	SetpointRHPct   float64
	CapacityLPerDay float64 // rated, 0: not given
	DrainsTo        string  // sump | outdoors | drain | ""
}

// ExhaustFan as installed.
type ExhaustFan struct{ FlowLps float64 }

// Sump basin with its pump and discharge line. Zero means not given.
type Sump struct {
	BasinDiameterM       float64 // at the floor when BasinTopDiameterM is given, else throughout
	BasinTopDiameterM    float64
	BasinDepthM          float64
	PumpDisplacementL    float64 // volume of the pump body between the floats
	FloatOnM             float64 // above the basin floor
	FloatOffM            float64
	HighWaterM           float64
	Pump                 *Pump
	BackupPump           *Pump
	Discharge            *Discharge
	WaterHistory         string // dry | damp | flooded | ""
	CommissionedDrawDown time.Duration
	DesignStorm          *DesignStorm // nil: not given
}

// DesignStorm is the rain that the pump has to cope with.
type DesignStorm struct {
	DepthMm  float64
	Duration time.Duration
}

// Pump is given by its rated flow and shut-off head, or by points of its curve.
type Pump struct {
	RatedFlowLps  float64
	AtHeadM       float64
	ShutoffHeadM  float64
	CurvePoints   []CurvePoint
	RatedPowerW   float64
	RatedCurrentA float64
}

// CurvePoint of a pump: the flow it delivers against a head.
type CurvePoint struct{ FlowLps, HeadM float64 }

// Discharge line from the pump to where the water leaves it.
type Discharge struct {
	Pipe            string // pvc-sch40-1.25in | pvc-sch40-1.5in | pvc-sch40-2in | "" with InsideDiameterM
	InsideDiameterM float64
	LengthM         float64
	LiftM           float64 // static, from the float-off level to the outlet
	Elbows          int
	CheckValve      bool
}

// Point is a place where something is measured.
type Point struct {
	ID       string
	Measures []Quantity
	Every    time.Duration // 0: reports on change only
	Surface  string        // duct | pipe | joist | rim | wall | slab | other, for surface-temp
	Air      string        // the air point paired with a surface or with wood
	Outdoors bool
	Pump     string // "" primary | "backup"
	Circuit  string // "" whole house | "pump" | "dehumidifier", for mains
	Gateway  string // "" whichever last reported it
	Sensor   *Sensor
}

// Sensor behind a point, for the uncertainty of what it says.
type Sensor struct {
	Serial   string
	Accuracy map[Quantity]float64 // half-width, in the quantity's stored unit (K for temperatures)
}
