package site

// Quantity is what a reading measures. The numbers are stored in the database
// and in sealed days: never renumber, only append.
type Quantity uint8

// The quantities of the wire contract.
const (
	RH                Quantity = 1  // relative humidity of air over water, %RH
	AirTemp           Quantity = 2  // air temperature, °C
	SurfaceTemp       Quantity = 3  // temperature of a surface, °C
	WoodMoisture      Quantity = 4  // moisture content of wood, % of dry mass
	PumpRun           Quantity = 5  // one finished pump cycle: time is its start, value its length in s
	PumpOn            Quantity = 6  // pump running now, 0 or 1
	WaterLevel        Quantity = 7  // level above the basin floor, mm
	HighWater         Quantity = 8  // high-water float, 0 or 1
	Leak              Quantity = 9  // leak sensor, 0 or 1
	Rain              Quantity = 10 // depth since the gauge's previous record, mm
	Mains             Quantity = 11 // power present, 0 or 1
	DehumidifierPower Quantity = 12 // real power, W
	FanPower          Quantity = 13 // real power, W
	Battery           Quantity = 14 // charge left, %
)

// Spec is what the wire contract says of one quantity.
type Spec struct {
	Quantity Quantity
	Name     string   // the name on the wire, in files, in the API and on pages
	Units    []string // SenML units accepted; Units[0] is the unit stored. Empty for Boolean.
	Scale    []float64
	Boolean  bool    // carried as vb, stored as 0 or 1
	Min, Max float64 // possible values, inclusive, in the stored unit
	// Event quantities count something; a relative or missing time would count
	// it twice on redelivery, so those are refused.
	Event bool
	// Urgent quantities are evaluated at their receipt time when only their
	// time was refused: a reset clock must not hide water.
	Urgent bool
}

var specs = []Spec{
	{Quantity: RH, Name: "rh", Units: []string{"%RH"}, Scale: []float64{1}, Min: 0, Max: 100},
	{Quantity: AirTemp, Name: "air-temp", Units: []string{"Cel"}, Scale: []float64{1}, Min: -40, Max: 60},
	{Quantity: SurfaceTemp, Name: "surface-temp", Units: []string{"Cel"}, Scale: []float64{1}, Min: -40, Max: 85},
	{Quantity: WoodMoisture, Name: "wood-moisture", Units: []string{"/100", "/"}, Scale: []float64{1, 100}, Min: 0, Max: 100},
	{Quantity: PumpRun, Name: "pump-run", Units: []string{"s"}, Scale: []float64{1}, Min: 0, Max: 86400, Event: true},
	{Quantity: PumpOn, Name: "pump-on", Boolean: true, Min: 0, Max: 1},
	{Quantity: WaterLevel, Name: "water-level", Units: []string{"mm", "m"}, Scale: []float64{1, 1000}, Min: 0, Max: 3000},
	{Quantity: HighWater, Name: "high-water", Boolean: true, Min: 0, Max: 1, Urgent: true},
	{Quantity: Leak, Name: "leak", Boolean: true, Min: 0, Max: 1, Urgent: true},
	{Quantity: Rain, Name: "rain", Units: []string{"mm", "m"}, Scale: []float64{1, 1000}, Min: 0, Max: 100, Event: true},
	{Quantity: Mains, Name: "mains", Boolean: true, Min: 0, Max: 1},
	{Quantity: DehumidifierPower, Name: "dehumidifier-power", Units: []string{"W"}, Scale: []float64{1}, Min: 0, Max: 5000},
	{Quantity: FanPower, Name: "fan-power", Units: []string{"W"}, Scale: []float64{1}, Min: 0, Max: 5000},
	{Quantity: Battery, Name: "battery", Units: []string{"%EL"}, Scale: []float64{1}, Min: 0, Max: 100},
}

var specByName = func() map[string]*Spec {
	m := make(map[string]*Spec, len(specs))
	for i := range specs {
		m[specs[i].Name] = &specs[i]
	}
	return m
}()

// Quantities lists every quantity of the contract in the order of its table.
func Quantities() []Spec { return append([]Spec(nil), specs...) }

// ParseQuantity finds a quantity by its name.
func ParseQuantity(name string) (Quantity, bool) {
	s, ok := specByName[name]
	if !ok {
		return 0, false
	}
	return s.Quantity, true
}

// Spec returns what the contract says of q; the zero Spec for an unknown one.
func (q Quantity) Spec() Spec {
	if q < 1 || int(q) > len(specs) {
		return Spec{}
	}
	return specs[q-1]
}

// String is the quantity's name on the wire.
func (q Quantity) String() string { return q.Spec().Name }
