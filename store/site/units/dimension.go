// Package units reads and writes physical values with their units, US and SI.
package units

// Dimension is a kind of physical value; each has one SI-style unit in which
// the rest of Underkeep calculates.
type Dimension uint8

// The dimensions of a property file, with the unit used inside.
const (
	Length          Dimension = iota + 1 // m
	Area                                 // m²
	Volume                               // L
	Flow                                 // L/s (liquids and air)
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
)
