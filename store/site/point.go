package site

import (
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"underkeep/store/site/units"
)

const maxPoints = 500

// surfaces of the contract.
var surfaces = []string{"duct", "pipe", "joist", "rim", "wall", "slab", "other"}

// accuracyDims is the dimension in which a quantity's accuracy is given;
// on-off quantities have none. Inside units are those of the stored reading.
var accuracyDims = map[Quantity]units.Dimension{
	RH: units.RelHumidity, AirTemp: units.TemperatureDiff, SurfaceTemp: units.TemperatureDiff,
	WoodMoisture: units.WoodMoisture, PumpRun: units.Duration, WaterLevel: units.Depth, Rain: units.Depth,
	DehumidifierPower: units.Power, FanPower: units.Power, Battery: units.Percent,
}

// StationPoint is the point under which the weather service's readings for a
// property are kept; a file cannot describe it.
const StationPoint = "weather-station"

func readPoints(m *mapping) []Point {
	items := m.list("points")
	if m.has("points") && len(items) == 0 {
		m.problem("points", "needs at least one point")
	}
	if len(items) > maxPoints {
		m.problem("points", "has %d points; at most %d are read", len(items), maxPoints)
		return nil
	}
	points := make([]Point, 0, len(items))
	maps := make([]*mapping, 0, len(items))
	for i, n := range items {
		pm := newMapping(m.p, m.item("points", i), n, m.sys)
		points = append(points, readPoint(pm))
		maps = append(maps, pm)
	}
	checkPoints(points, maps)
	return points
}

func readPoint(m *mapping) Point {
	m.require("id", "measures")
	pt := Point{
		ID:       m.name("id"),
		Measures: readMeasures(m),
		Every:    m.duration("every", time.Second, 7*24*time.Hour),
		Surface:  m.oneOf("surface", surfaces...),
		Air:      m.name("air"),
		Outdoors: m.yes("outdoors"),
		Pump:     m.oneOf("pump", "primary", "backup"),
		Circuit:  m.oneOf("circuit", "pump", "dehumidifier"),
		Gateway:  m.name("gateway"),
	}
	if pt.ID == StationPoint {
		m.problem("id", "%q is the name of the weather service's station", pt.ID)
	}
	if pt.Pump == "primary" {
		pt.Pump = ""
	}
	pt.Sensor = readSensor(m.sub("sensor"), pt)
	checkPointKeys(m, pt)
	m.finish()
	return pt
}

func readMeasures(m *mapping) []Quantity {
	var out []Quantity
	for i, n := range m.list("measures") {
		text, _ := scalar(n)
		q, ok := ParseQuantity(text)
		switch {
		case !ok:
			m.p.add(lineOf(n), m.item("measures", i), "%s is not known; accepted: %s", describe(n), quantityNames())
		case measures(out, q):
			m.p.add(lineOf(n), m.item("measures", i), "%s is listed twice", q)
		default:
			out = append(out, q)
		}
	}
	if n := m.node("measures"); n != nil && len(out) == 0 {
		if seq, ok := n.(*ast.SequenceNode); ok && len(seq.Values) == 0 {
			m.problem("measures", "needs at least one of %s", quantityNames())
		}
	}
	return out
}

func quantityNames() string {
	var names []string
	for _, s := range specs {
		names = append(names, s.Name)
	}
	return strings.Join(names, ", ")
}

func measures(list []Quantity, any ...Quantity) bool {
	for _, q := range list {
		for _, a := range any {
			if q == a {
				return true
			}
		}
	}
	return false
}

// checkPointKeys refuses fields that mean nothing for what the point measures.
func checkPointKeys(m *mapping, pt Point) {
	for _, rule := range []struct {
		key        string
		quantities []Quantity
	}{
		{"surface", []Quantity{SurfaceTemp, WoodMoisture}},
		{"air", []Quantity{SurfaceTemp, WoodMoisture}},
		{"pump", []Quantity{PumpRun, PumpOn}},
		{"circuit", []Quantity{Mains}},
	} {
		if m.has(rule.key) && len(pt.Measures) > 0 && !measures(pt.Measures, rule.quantities...) {
			names := make([]string, len(rule.quantities))
			for i, q := range rule.quantities {
				names[i] = q.String()
			}
			m.problem(rule.key, "belongs only to a point that measures %s", strings.Join(names, " or "))
		}
	}
}

func readSensor(m *mapping, pt Point) *Sensor {
	if m == nil {
		return nil
	}
	s := Sensor{Serial: m.words("serial", 80)}
	if acc := m.sub("accuracy"); acc != nil {
		s.Accuracy = readAccuracy(acc, pt)
	}
	m.finish()
	return &s
}

func readAccuracy(m *mapping, pt Point) map[Quantity]float64 {
	out := map[Quantity]float64{}
	for _, q := range pt.Measures {
		dim, ok := accuracyDims[q]
		if !ok {
			continue
		}
		if v, ok := m.value(q.String(), dim, bounds{0, q.Spec().Max}); ok {
			out[q] = v
		}
	}
	if len(m.asked) == 0 && len(m.fields) > 0 {
		m.p.add(m.line, m.path, "nothing that this point measures has an accuracy")
		return nil
	}
	m.finish()
	if len(out) == 0 {
		return nil
	}
	return out
}

// checkPoints looks at the points together: duplicates, references, and who
// speaks for which pump.
func checkPoints(points []Point, maps []*mapping) {
	byID := map[string]int{}
	for i, pt := range points {
		if first, ok := byID[pt.ID]; ok && pt.ID != "" {
			maps[i].problem("id", "%q is used twice; first on line %d", pt.ID, maps[first].lineFor("id"))
			continue
		}
		byID[pt.ID] = i
	}
	for i, pt := range points {
		checkAir(points, maps[i], pt, byID)
	}
	for _, q := range []Quantity{PumpRun, PumpOn} {
		checkOnePerPump(points, maps, q)
	}
}

func checkAir(points []Point, m *mapping, pt Point, byID map[string]int) {
	if pt.Air == "" {
		return
	}
	i, ok := byID[pt.Air]
	if !ok {
		m.problem("air", "there is no point %q", pt.Air)
		return
	}
	air := points[i]
	switch {
	case air.Outdoors:
		m.problem("air", "%q is outdoors; the air around the surface is meant", pt.Air)
	case !measures(air.Measures, RH) || !measures(air.Measures, AirTemp):
		m.problem("air", "%q does not measure both rh and air-temp, which a dew point needs", pt.Air)
	}
}

// checkOnePerPump refuses two points that report the same pump: every cycle
// would count twice.
func checkOnePerPump(points []Point, maps []*mapping, q Quantity) {
	seen := map[string]string{}
	for i, pt := range points {
		if !measures(pt.Measures, q) {
			continue
		}
		if first, ok := seen[pt.Pump]; ok {
			name := pt.Pump
			if name == "" {
				name = "primary"
			}
			maps[i].problem("measures", "%s of the %s pump is already measured by point %q; mark a second pump's point `pump: backup`",
				q, name, first)
			continue
		}
		seen[pt.Pump] = pt.ID
	}
}
