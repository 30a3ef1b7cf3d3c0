package site

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"underkeep/store/site/units"
)

// FormatProperty writes a property that [ParseProperty] returned as a property
// file: deterministic, in the property's own units, every figure exact, so that
// parsing it again gives an equal Property. Comments are not kept.
func FormatProperty(p Property) []byte {
	w := &writer{sys: p.Units}
	w.text("property", p.ID)
	w.text("name", p.Name)
	w.text("area", p.Area)
	w.text("timezone", p.Timezone)
	if l := p.Location; l != nil {
		w.line("location", "{lat: %s, lon: %s}", units.FormatExact(units.Ratio, l.Lat, w.sys), units.FormatExact(units.Ratio, l.Lon, w.sys))
	}
	w.text("units", string(p.Units))
	w.line("installed", "%s", p.Installed)
	if p.Effective != nil {
		w.line("effective", "%s", *p.Effective)
	}
	w.owner(p.Owner)
	w.equipment(p)
	w.sump(p.Sump)
	w.points(p.Points)
	w.text("weather_station", p.WeatherStation)
	w.duration("storm_gap", p.StormGap)
	w.mold(p)
	w.limits(p.Limits)
	if p.WarrantyTerms != "" {
		w.section("warranty", func() { w.text("terms", p.WarrantyTerms) })
	}
	return w.buf.Bytes()
}

// Fingerprint is the SHA-256, in hexadecimal, of the canonical text: equal for
// equal descriptions, whatever their files' comments, order or spelling.
func (p *Property) Fingerprint() string {
	sum := sha256.Sum256(FormatProperty(*p))
	return hex.EncodeToString(sum[:])
}

// writer puts out block YAML; fields with nothing to say are left out.
type writer struct {
	buf    bytes.Buffer
	indent string
	sys    units.System
}

func (w *writer) line(key, format string, args ...any) {
	fmt.Fprintf(&w.buf, "%s%s: %s\n", w.indent, key, fmt.Sprintf(format, args...))
}

func (w *writer) text(key, s string) {
	if s != "" {
		w.line(key, "%s", quote(s))
	}
}

func (w *writer) value(key string, dim units.Dimension, v float64) {
	if v != 0 {
		w.line(key, "%s", units.FormatExact(dim, v, w.sys))
	}
}

func (w *writer) duration(key string, d time.Duration) {
	w.value(key, units.Duration, d.Seconds())
}

func (w *writer) yes(key string, v bool) {
	if v {
		w.line(key, "true")
	}
}

// section writes a nested mapping, `{}` when body writes nothing: present and
// empty is not the same as left out.
func (w *writer) section(key string, body func()) {
	start, indent := w.buf.Len(), w.indent
	fmt.Fprintf(&w.buf, "%s%s:\n", indent, key)
	inside := w.buf.Len()
	w.indent += "  "
	body()
	w.indent = indent
	if w.buf.Len() == inside {
		w.buf.Truncate(start)
		w.line(key, "{}")
	}
}

func (w *writer) owner(o Owner) {
	if o == (Owner{}) {
		return
	}
	w.section("owner", func() {
		w.text("name", o.Name)
		w.text("email", o.Email)
		w.text("phone", o.Phone)
		w.text("language", o.Language)
	})
}

func (w *writer) equipment(p Property) {
	if s := p.Space; s != nil {
		w.section("space", func() {
			w.value("floor_area", units.Area, s.FloorAreaM2)
			w.value("height", units.Length, s.HeightM)
		})
	}
	if d := p.Dehumidifier; d != nil {
		w.section("dehumidifier", func() {
			w.value("setpoint", units.RelHumidity, d.SetpointRHPct)
			w.value("capacity", units.VolumePerDay, d.CapacityLPerDay)
			w.text("drains_to", d.DrainsTo)
		})
	}
	if f := p.ExhaustFan; f != nil {
		w.section("exhaust_fan", func() { w.value("flow", units.AirFlow, f.FlowLps) })
	}
}

func (w *writer) sump(s *Sump) {
	if s == nil {
		return
	}
	w.section("sump", func() {
		w.value("basin_diameter", units.Length, s.BasinDiameterM)
		w.value("basin_top_diameter", units.Length, s.BasinTopDiameterM)
		w.value("basin_depth", units.Length, s.BasinDepthM)
		w.value("pump_displacement", units.Volume, s.PumpDisplacementL)
		w.value("float_on", units.Length, s.FloatOnM)
		w.value("float_off", units.Length, s.FloatOffM)
		w.value("high_water", units.Length, s.HighWaterM)
		w.pump("pump", s.Pump)
		w.pump("backup_pump", s.BackupPump)
		w.discharge(s.Discharge)
		w.text("water_history", s.WaterHistory)
		w.duration("commissioned_draw_down", s.CommissionedDrawDown)
		if d := s.DesignStorm; d != nil {
			w.section("design_storm", func() {
				w.value("depth", units.Depth, d.DepthMm)
				w.duration("duration", d.Duration)
			})
		}
	})
}

func (w *writer) pump(key string, p *Pump) {
	if p == nil {
		return
	}
	w.section(key, func() {
		w.value("rated_flow", units.Flow, p.RatedFlowLps)
		w.value("at_head", units.Head, p.AtHeadM)
		w.value("shutoff_head", units.Head, p.ShutoffHeadM)
		if len(p.CurvePoints) > 0 {
			fmt.Fprintf(&w.buf, "%scurve:\n", w.indent)
		}
		for _, c := range p.CurvePoints {
			fmt.Fprintf(&w.buf, "%s  - {flow: %s, head: %s}\n", w.indent,
				units.FormatExact(units.Flow, c.FlowLps, w.sys), units.FormatExact(units.Head, c.HeadM, w.sys))
		}
		w.value("rated_power", units.Power, p.RatedPowerW)
		w.value("rated_current", units.Current, p.RatedCurrentA)
	})
}

func (w *writer) discharge(d *Discharge) {
	if d == nil {
		return
	}
	w.section("discharge", func() {
		w.text("pipe", d.Pipe)
		w.value("inside_diameter", units.Length, d.InsideDiameterM)
		w.value("length", units.Length, d.LengthM)
		w.value("lift", units.Length, d.LiftM)
		w.value("elbows", units.Count, float64(d.Elbows))
		w.yes("check_valve", d.CheckValve)
	})
}

func (w *writer) points(points []Point) {
	fmt.Fprintf(&w.buf, "%spoints:\n", w.indent)
	for _, pt := range points {
		start := w.buf.Len()
		w.indent = "    "
		w.point(pt)
		w.indent = ""
		copy(w.buf.Bytes()[start:], "  - ") // the first line opens the list item
	}
}

func (w *writer) point(pt Point) {
	names := make([]string, len(pt.Measures))
	for i, q := range pt.Measures {
		names[i] = q.String()
	}
	w.text("id", pt.ID)
	w.line("measures", "[%s]", strings.Join(names, ", "))
	w.duration("every", pt.Every)
	w.text("surface", pt.Surface)
	w.text("air", pt.Air)
	w.yes("outdoors", pt.Outdoors)
	w.text("pump", pt.Pump)
	w.text("circuit", pt.Circuit)
	w.text("gateway", pt.Gateway)
	if s := pt.Sensor; s != nil {
		w.section("sensor", func() {
			w.text("serial", s.Serial)
			w.accuracy(s.Accuracy)
		})
	}
}

func (w *writer) accuracy(acc map[Quantity]float64) {
	if len(acc) == 0 {
		return
	}
	w.section("accuracy", func() {
		for _, s := range specs {
			if v, ok := acc[s.Quantity]; ok {
				w.line(s.Name, "%s", units.FormatExact(accuracyDims[s.Quantity], v, w.sys))
			}
		}
	})
}

// mold writes what differs from the defaults; zero is a possible value of two
// of them and is written.
func (w *writer) mold(p Property) {
	if p.MoldClass != DefaultMoldClass {
		w.text("mold_class", p.MoldClass)
	}
	if p.MoldDecline != DefaultMoldDecline {
		w.line("mold_decline", "%s", units.FormatExact(units.Ratio, p.MoldDecline, w.sys))
	}
	if p.Commissioning != DefaultCommissioning {
		w.line("commissioning", "%s", units.FormatExact(units.Duration, p.Commissioning.Seconds(), w.sys))
	}
}

func (w *writer) limits(l Limits) {
	if len(l.Off) == 0 && len(l.Values) == 0 {
		return
	}
	w.section("limits", func() {
		for _, c := range Conditions() {
			switch {
			case l.Off[c]:
				w.line(string(c), "off")
			case len(l.Values[c]) > 0:
				w.section(string(c), func() { w.condition(c, l.Values[c]) })
			}
		}
	})
}

func (w *writer) condition(c Condition, values map[string]float64) {
	for _, s := range limitSpecs {
		if v, ok := values[s.Param]; ok && s.Condition == c {
			w.line(s.Param, "%s", units.FormatExact(s.Dimension, v, w.sys))
		}
	}
}

var (
	plainText = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_./@+-]*( [A-Za-z0-9_./@+-]+)*$`)
	yamlWord  = regexp.MustCompile(`(?i)^(true|false|null|yes|no|on|off|y|n)$`)
)

// quote leaves plain words bare and quotes everything that YAML could read as
// something else.
func quote(s string) string {
	if plainText.MatchString(s) && !yamlWord.MatchString(s) {
		return s
	}
	return strconv.Quote(s)
}
