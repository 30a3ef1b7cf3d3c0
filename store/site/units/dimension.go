// Package units reads and writes physical values with their units, US and SI.
//
// Inside Underkeep every value is a float64 in its dimension's inside unit.
// Units appear at the edges only: [Parse] takes "18 in" to metres, [Format]
// gives a person the figure in the system of the house, and [FormatExact]
// writes a text that parses back to the very same float64.
//
// Conversion factors are held as exact rationals and every conversion rounds
// once, so "18 in", "1.5 ft" and "45.72 cm" are one and the same value.
package units

// Dimension is a kind of physical value; each has one SI-style unit in which
// the rest of Underkeep calculates.
type Dimension uint8

// The dimensions of a property file, with the unit used inside.
const (
	Length          Dimension = iota + 1 // m
	Area                                 // m²
	Volume                               // L
	Flow                                 // L/s (liquids)
	VolumePerDay                         // L/day
	Temperature                          // °C
	TemperatureDiff                      // K; "2 C" and "3.6 F" are the same difference
	RelHumidity                          // %RH
	WoodMoisture                         // % of dry mass
	Power                                // W
	Duration                             // s
	Depth                                // mm of water or rain
	Pressure                             // Pa
	Percent                              // %
	Ratio                                // no unit
	Count                                // whole number, no unit
	Velocity                             // m/s
	LevelRate                            // mm/s, how fast a level rises or falls
	PerHour                              // 1/h
	AirFlow                              // L/s of air; the units of Flow, shown as cfm in the US
	Head                                 // m of water; length units, or a pressure at 1000 kg/m³
	Current                              // A
)

// System is a system of units for showing values to people.
type System string

// The two systems of a property file.
const (
	US System = "us"
	SI System = "si"
)

// String names the dimension as error messages use it, with its article.
func (d Dimension) String() string {
	if s, ok := table[d]; ok {
		return s.noun
	}
	return "an unknown kind of value"
}
