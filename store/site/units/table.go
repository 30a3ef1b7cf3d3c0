package units

import "math/big"

// unit is one accepted unit of a dimension: inside = (written + offset) × factor.
type unit struct {
	name   string   // as written in a property file
	symbol string   // as shown to a person
	alias  string   // a second accepted spelling, "" for none
	factor *big.Rat // inside units per this unit, exact
	offset *big.Rat // added before multiplying; nil for none (only °F has one)
}

// shown is a preference for showing values: the first whose below exceeds the
// magnitude (in the inside unit) wins; a zero below always does.
type shown struct {
	unit  string
	below float64
}

// spec is all that is known of one dimension. The first unit has factor 1: it
// is the inside unit.
type spec struct {
	noun     string
	units    []unit
	us, si   []shown
	decimals int // most decimals shown to a person
	digits   int // significant digits shown; whole numbers are never rounded away
}

// The exact definitions behind every factor, from NIST Special Publication 811
// (2008), appendix B and its footnotes (from memory): the inch is 25.4 mm, the
// US gallon 231 in³, the pint an eighth of it, the pound 0.45359237 kg and
// standard gravity 9.80665 m/s². Conventional water weighs 1000 kg/m³.
var (
	one      = rat("1")
	inchM    = rat("0.0254")
	footM    = rat("0.3048")
	gallonL  = rat("3.785411784")
	pintL    = quo(gallonL, rat("8"))
	cubicFtL = rat("28.316846592")
	gravity  = rat("9.80665")
	psiPa    = quo(mul(rat("0.45359237"), gravity), mul(inchM, inchM))
	waterPaM = mul(rat("1000"), gravity) // Pa under one metre of water
)

var lengthUnits = []unit{
	{name: "m", symbol: "m", factor: one},
	{name: "cm", symbol: "cm", factor: rat("0.01")},
	{name: "mm", symbol: "mm", factor: rat("0.001")},
	{name: "ft", symbol: "ft", factor: footM},
	{name: "in", symbol: "in", factor: inchM},
}

var flowUnits = []unit{
	{name: "L/s", symbol: "L/s", factor: one},
	{name: "L/min", symbol: "L/min", factor: rat("1/60")},
	{name: "L/h", symbol: "L/h", factor: rat("1/3600")},
	{name: "m3/h", symbol: "m³/h", alias: "m³/h", factor: rat("1/3.6")},
	{name: "gpm", symbol: "gpm", factor: quo(gallonL, rat("60"))},
	{name: "gph", symbol: "gph", factor: quo(gallonL, rat("3600"))},
	{name: "cfm", symbol: "cfm", factor: quo(cubicFtL, rat("60"))},
}

var percentUnits = []unit{{name: "%", symbol: "%", factor: one}}

var table = map[Dimension]spec{
	Length: {noun: "a length", units: lengthUnits, decimals: 3, digits: 3,
		us: []shown{{"in", 0.9144}, {"ft", 0}},
		si: []shown{{"mm", 0.01}, {"cm", 1}, {"m", 0}}},
	Head: {noun: "a head", decimals: 2, digits: 3,
		units: append(append([]unit(nil), lengthUnits...),
			unit{name: "psi", symbol: "psi", factor: quo(psiPa, waterPaM)},
			unit{name: "kPa", symbol: "kPa", factor: quo(rat("1000"), waterPaM)}),
		us: []shown{{"ft", 0}}, si: []shown{{"m", 0}}},
	Area: {noun: "an area", decimals: 2, digits: 3,
		units: []unit{
			{name: "m2", symbol: "m²", alias: "m²", factor: one},
			{name: "ft2", symbol: "ft²", alias: "ft²", factor: mul(footM, footM)}},
		us: []shown{{"ft2", 0}}, si: []shown{{"m2", 0}}},
	Volume: {noun: "a volume", decimals: 2, digits: 3,
		units: []unit{
			{name: "L", symbol: "L", factor: one},
			{name: "gal", symbol: "gal", factor: gallonL},
			{name: "pint", symbol: "pint", factor: pintL}},
		us: []shown{{"gal", 0}}, si: []shown{{"L", 0}}},
	Flow: {noun: "a flow", units: flowUnits, decimals: 2, digits: 3,
		us: []shown{{"gph", 0}}, si: []shown{{"L/min", 0}}},
	AirFlow: {noun: "an air flow", units: flowUnits, decimals: 2, digits: 3,
		us: []shown{{"cfm", 0}}, si: []shown{{"L/s", 0}}},
	VolumePerDay: {noun: "a volume per day", decimals: 2, digits: 3,
		units: []unit{
			{name: "L/day", symbol: "L/day", factor: one},
			{name: "pint/day", symbol: "pint/day", factor: pintL}},
		us: []shown{{"pint/day", 0}}, si: []shown{{"L/day", 0}}},
	Temperature: {noun: "a temperature", decimals: 1, digits: 4,
		units: []unit{
			{name: "C", symbol: "°C", alias: "°C", factor: one},
			{name: "F", symbol: "°F", alias: "°F", factor: rat("5/9"), offset: rat("-32")}},
		us: []shown{{"F", 0}}, si: []shown{{"C", 0}}},
	TemperatureDiff: {noun: "a temperature difference", decimals: 1, digits: 4,
		units: []unit{
			{name: "C", symbol: "°C", alias: "°C", factor: one},
			{name: "F", symbol: "°F", alias: "°F", factor: rat("5/9")}},
		us: []shown{{"F", 0}}, si: []shown{{"C", 0}}},
	RelHumidity: {noun: "a relative humidity", decimals: 1, digits: 4,
		units: []unit{{name: "%RH", symbol: "%RH", factor: one}},
		us:    []shown{{"%RH", 0}}, si: []shown{{"%RH", 0}}},
	WoodMoisture: {noun: "a wood moisture content", units: percentUnits, decimals: 1, digits: 4,
		us: []shown{{"%", 0}}, si: []shown{{"%", 0}}},
	Percent: {noun: "a percentage", units: percentUnits, decimals: 1, digits: 4,
		us: []shown{{"%", 0}}, si: []shown{{"%", 0}}},
	Power: {noun: "a power", decimals: 1, digits: 3,
		units: []unit{{name: "W", symbol: "W", factor: one}},
		us:    []shown{{"W", 0}}, si: []shown{{"W", 0}}},
	Current: {noun: "an electric current", decimals: 2, digits: 3,
		units: []unit{{name: "A", symbol: "A", factor: one}},
		us:    []shown{{"A", 0}}, si: []shown{{"A", 0}}},
	Duration: {noun: "a duration", decimals: 1, digits: 3,
		units: []unit{
			{name: "s", symbol: "s", factor: one},
			{name: "m", symbol: "min", factor: rat("60")},
			{name: "h", symbol: "h", factor: rat("3600")},
			{name: "d", symbol: "d", factor: rat("86400")}},
		us: durations, si: durations},
	Depth: {noun: "a depth of water", decimals: 2, digits: 3,
		units: []unit{
			{name: "mm", symbol: "mm", factor: one},
			{name: "cm", symbol: "cm", factor: rat("10")},
			{name: "m", symbol: "m", factor: rat("1000")},
			{name: "in", symbol: "in", factor: rat("25.4")},
			{name: "ft", symbol: "ft", factor: rat("304.8")}},
		us: []shown{{"in", 0}}, si: []shown{{"mm", 0}}},
	Pressure: {noun: "a pressure", decimals: 3, digits: 3,
		units: []unit{
			{name: "Pa", symbol: "Pa", factor: one},
			{name: "kPa", symbol: "kPa", factor: rat("1000")},
			{name: "psi", symbol: "psi", factor: psiPa}},
		us: []shown{{"psi", 0}}, si: []shown{{"Pa", 10_000}, {"kPa", 0}}},
	Velocity: {noun: "a velocity", decimals: 2, digits: 3,
		units: []unit{
			{name: "m/s", symbol: "m/s", factor: one},
			{name: "ft/s", symbol: "ft/s", factor: footM}},
		us: []shown{{"ft/s", 0}}, si: []shown{{"m/s", 0}}},
	LevelRate: {noun: "a rate of rise or fall", decimals: 3, digits: 3,
		units: []unit{
			{name: "mm/s", symbol: "mm/s", factor: one},
			{name: "in/s", symbol: "in/s", factor: rat("25.4")}},
		us: []shown{{"in/s", 0}}, si: []shown{{"mm/s", 0}}},
	PerHour: {noun: "a number per hour", decimals: 2, digits: 3,
		units: []unit{{name: "/h", symbol: "per hour", factor: one}},
		us:    []shown{{"/h", 0}}, si: []shown{{"/h", 0}}},
	Ratio: {noun: "a plain number", decimals: 3, digits: 3,
		units: []unit{
			{name: "", symbol: "", factor: one},
			{name: "%", symbol: "%", factor: rat("0.01")}},
		us: []shown{{"", 0}}, si: []shown{{"", 0}}},
	Count: {noun: "a whole number", decimals: 0, digits: 3,
		units: []unit{{name: "", symbol: "", factor: one}},
		us:    []shown{{"", 0}}, si: []shown{{"", 0}}},
}

var durations = []shown{{"s", 60}, {"m", 3600}, {"h", 86400}, {"d", 0}}

// rat reads an exact decimal or fraction of the tables above. A decimal
// denominator ("1/3.6") is allowed.
func rat(s string) *big.Rat {
	num, den := s, "1"
	for i := range s {
		if s[i] == '/' {
			num, den = s[:i], s[i+1:]
		}
	}
	n, ok1 := new(big.Rat).SetString(num)
	d, ok2 := new(big.Rat).SetString(den)
	if !ok1 || !ok2 {
		panic("units: bad factor " + s)
	}
	return n.Quo(n, d)
}

func mul(a, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }
func quo(a, b *big.Rat) *big.Rat { return new(big.Rat).Quo(a, b) }
