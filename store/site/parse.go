package site

import (
	"fmt"
	"net/mail"
	"regexp"
	"time"
	_ "time/tzdata" // time zones also where the machine has none

	"github.com/goccy/go-yaml/ast"

	"underkeep/store/site/units"
)

// What is assumed when a file does not say.
const (
	DefaultMoldClass     = "sensitive"
	DefaultMoldDecline   = 0.1
	DefaultCommissioning = 14 * 24 * time.Hour
)

// ValidID reports whether s can name a property, gateway or point.
func ValidID(s string) bool { return idPattern.MatchString(s) }

var (
	idPattern   = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	langPattern = regexp.MustCompile(`^[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*$`)
)

// ParseProperty reads a file that holds exactly one property. Beside the fields
// of the usual file it takes these, all optional:
//
//	area                              group of houses, for the fleet page
//	effective                         day from which the description counts
//	owner.phone, owner.language       a BCP 47 tag such as es
//	mold_class                        very-sensitive | sensitive | medium-resistant | resistant
//	mold_decline                      0 to 1
//	commissioning                     drying-out period, such as 14d
//	sump.basin_top_diameter           with basin_depth: a basin that tapers
//	sump.basin_depth
//	sump.pump_displacement            volume of the pump body between the floats
//	sump.backup_pump                  like sump.pump
//	sump.commissioned_draw_down       measured at hand-over, such as 18.4s
//	sump.pump.curve                   list of {flow, head}; the pump may be that list itself
//	sump.pump.rated_power             W
//	sump.pump.rated_current           A
//	sump.discharge.inside_diameter    instead of pipe
//	points[].pump                     primary | backup
//	points[].circuit                  pump | dehumidifier, of a mains point
//	points[].gateway
//
// A section that is given must say its main figure: space.floor_area,
// dehumidifier.setpoint, exhaust_fan.flow, warranty.terms. The error, of
// type *[FileError], names every problem of the file by line and field; then
// nothing of the property may be used.
func ParseProperty(data []byte, filename string) (Property, error) {
	ps, err := ParseProperties(data, filename)
	if err != nil {
		return Property{}, err
	}
	if len(ps) != 1 {
		return Property{}, &FileError{File: filename, Problems: []Problem{{Line: 1,
			Message: fmt.Sprintf("holds %d properties; one is expected here", len(ps))}}}
	}
	return ps[0], nil
}

// ParseProperties reads a file of one or more properties, one YAML document
// each; a property may come again with another `effective`. All or nothing: with any problem in any of them it returns none and a
// *[FileError] that names them all.
func ParseProperties(data []byte, filename string) ([]Property, error) {
	p := &problems{file: filename}
	bodies := documents(data, p)
	if len(bodies) == 0 && len(p.list) == 0 {
		p.add(1, "", "the file is empty; required: property, name, timezone, installed, points")
	}
	out := make([]Property, 0, len(bodies))
	lines := map[string]int{}
	for _, body := range bodies {
		prop := readProperty(p, body)
		version := prop.ID // a change from another day on is another version
		if prop.Effective != nil {
			version += " from " + prop.Effective.String()
		}
		if first, ok := lines[version]; ok && prop.ID != "" {
			p.add(lineOf(body), "property", "%q is described twice in this file; first on line %d", version, first)
		}
		lines[version] = lineOf(body)
		out = append(out, prop)
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	return out, nil
}

func readProperty(p *problems, body ast.Node) Property {
	m := newMapping(p, "", body, units.SI)
	m.sys = readUnits(m)
	m.require("property", "name", "timezone", "installed", "points")
	prop := Property{
		ID:       m.name("property"),
		Name:     m.words("name", 120),
		Area:     m.words("area", 60),
		Timezone: readTimezone(m),
		Location: readLocation(m.sub("location")),
		Units:    m.sys,
		Owner:    readOwner(m.sub("owner")),
	}
	if m.has("name") && prop.Name == "" {
		m.problem("name", "must not be empty")
	}
	readDates(m, &prop)
	prop.Space = readSpace(m.sub("space"))
	prop.Dehumidifier = readDehumidifier(m.sub("dehumidifier"))
	prop.ExhaustFan = readExhaustFan(m.sub("exhaust_fan"))
	prop.Sump = readSump(m.sub("sump"))
	prop.Points = readPoints(m)
	prop.WeatherStation = m.words("weather_station", 80)
	prop.StormGap = m.duration("storm_gap", time.Hour, 72*time.Hour)
	readMold(m, &prop)
	if l := m.sub("limits"); l != nil {
		prop.Limits = readLimits(l)
	}
	if w := m.sub("warranty"); w != nil {
		w.require("terms")
		prop.WarrantyTerms = w.name("terms")
		w.finish()
	}
	m.finish()
	return prop
}

func readUnits(m *mapping) units.System {
	if s := m.oneOf("units", string(US), string(SI)); s != "" {
		return units.System(s)
	}
	return SI
}

func readTimezone(m *mapping) string {
	s, ok := m.text("timezone")
	if !ok {
		return ""
	}
	if _, err := time.LoadLocation(s); err != nil || s == "" || s == "Local" {
		m.problem("timezone", "%q is no time zone; write its name in the IANA list, such as America/New_York", clip(s))
		return ""
	}
	return s
}

func readLocation(m *mapping) *Location {
	if m == nil {
		return nil
	}
	m.require("lat", "lon")
	l := Location{
		Lat: m.number("lat", units.Ratio, bounds{-90, 90}),
		Lon: m.number("lon", units.Ratio, bounds{-180, 180}),
	}
	m.finish()
	return &l
}

func readOwner(m *mapping) Owner {
	if m == nil {
		return Owner{}
	}
	o := Owner{Name: m.words("name", 120), Email: m.words("email", 254), Phone: m.words("phone", 40), Language: m.words("language", 20)}
	if a, err := mail.ParseAddress(o.Email); o.Email != "" && (err != nil || a.Address != o.Email) {
		m.problem("email", "%q is no e-mail address", clip(o.Email))
	}
	if o.Language != "" && !langPattern.MatchString(o.Language) {
		m.problem("language", "%q is no language tag, such as en or es", clip(o.Language))
	}
	m.finish()
	return o
}

// readDates reads installed and effective.
func readDates(m *mapping, prop *Property) {
	if d, ok := readDate(m, "installed"); ok {
		prop.Installed = d
	}
	if d, ok := readDate(m, "effective"); ok {
		prop.Effective = &d
		if prop.Installed.Year != 0 && d.Before(prop.Installed) {
			m.problem("effective", "%s is before installed (%s)", d, prop.Installed)
		}
	}
}

func readDate(m *mapping, key string) (Date, bool) {
	s, ok := m.text(key)
	if !ok {
		return Date{}, false
	}
	d, err := ParseDate(s)
	if err != nil {
		m.problem(key, "%v", err)
		return Date{}, false
	}
	return d, true
}

func readSpace(m *mapping) *Space {
	if m == nil {
		return nil
	}
	s := Space{
		FloorAreaM2: m.number("floor_area", units.Area, bounds{0.5, 100_000}),
		HeightM:     m.number("height", units.Length, bounds{0.1, 10}),
	}
	m.require("floor_area")
	m.finish()
	return &s
}

func readDehumidifier(m *mapping) *Dehumidifier {
	if m == nil {
		return nil
	}
	m.require("setpoint")
	d := Dehumidifier{
		SetpointRHPct:   m.number("setpoint", units.RelHumidity, bounds{10, 90}),
		CapacityLPerDay: m.number("capacity", units.VolumePerDay, bounds{0.1, 2000}),
		DrainsTo:        m.oneOf("drains_to", "sump", "outdoors", "drain"),
	}
	m.finish()
	return &d
}

func readExhaustFan(m *mapping) *ExhaustFan {
	if m == nil {
		return nil
	}
	m.require("flow")
	f := ExhaustFan{FlowLps: m.number("flow", units.AirFlow, bounds{0.1, 5000})}
	m.finish()
	return &f
}

// readMold reads what the mold model and the drying-out period need, with their
// defaults.
func readMold(m *mapping, prop *Property) {
	prop.MoldClass = m.oneOf("mold_class", "very-sensitive", "sensitive", "medium-resistant", "resistant")
	if prop.MoldClass == "" {
		prop.MoldClass = DefaultMoldClass
	}
	prop.MoldDecline = DefaultMoldDecline
	if v, ok := m.value("mold_decline", units.Ratio, bounds{0, 1}); ok {
		prop.MoldDecline = v
	}
	prop.Commissioning = DefaultCommissioning
	if v, ok := m.value("commissioning", units.Duration, bounds{0, 365 * day}); ok {
		prop.Commissioning = seconds(v)
	}
}
