package site

import (
	"fmt"
	"sort"
	"strings"

	"underkeep/store/site/units"
)

// ParseLimits reads overrides of the default limits from a file of their own:
// the same mapping as under `limits:` of a property file, at the top level or
// under that key. An empty file overrides nothing. The error, of type
// *[FileError], names every problem.
func ParseLimits(data []byte, filename string) (Limits, error) {
	p := &problems{file: filename}
	bodies := documents(data, p)
	var l Limits
	switch {
	case len(bodies) > 1:
		p.add(lineOf(bodies[1]), "", "holds %d documents; one is expected", len(bodies))
	case len(bodies) == 1:
		m := newMapping(p, "", bodies[0], SI)
		if m.has("limits") {
			sub := m.sub("limits")
			m.finish()
			m = sub
		}
		l = readLimits(m)
	}
	if err := p.err(); err != nil {
		return Limits{}, err
	}
	return l, nil
}

// limitBounds is what an overridden number may be, by dimension; a rule of
// limitRules may narrow it.
var limitBounds = map[units.Dimension]bounds{
	units.RelHumidity:     {0, 100},
	units.WoodMoisture:    {0, 100},
	units.Percent:         {0, 100},
	units.Temperature:     {-40, 60},
	units.TemperatureDiff: {-30, 30},
	units.Duration:        {1, 400 * day},
	units.Power:           {0, 5000},
	units.Depth:           {0, 500},
	units.Volume:          {0, 100_000},
	units.Pressure:        {0, 5000},
	units.Ratio:           {0, 1000},
	units.Count:           {1, 10_000},
}

func readLimits(m *mapping) Limits {
	var l Limits
	for _, c := range Conditions() {
		n := m.node(string(c))
		if n == nil {
			continue
		}
		if text, ok := scalar(n); ok {
			if text != "off" {
				m.problem(string(c), "%q must be off, or a mapping such as %s", clip(text), exampleLimit(c))
				continue
			}
			l.switchOff(c)
			continue
		}
		readCondition(newMapping(m.p, m.at(string(c)), n, m.sys), c, &l)
	}
	finishLimits(m)
	return l
}

// readCondition reads the numbers of one condition and checks them against one
// another.
func readCondition(m *mapping, c Condition, l *Limits) {
	before := len(m.p.list) + m.p.more
	for _, s := range limitSpecs {
		if s.Condition != c {
			continue
		}
		if v, ok := m.value(s.Param, s.Dimension, limitBounds[s.Dimension]); ok {
			l.set(c, s.Param, v)
		}
	}
	m.finish()
	if len(m.p.list)+m.p.more == before {
		checkRules(m, c, l)
	}
}

func (l *Limits) switchOff(c Condition) {
	if l.Off == nil {
		l.Off = map[Condition]bool{}
	}
	l.Off[c] = true
}

func (l *Limits) set(c Condition, param string, v float64) {
	if l.Values == nil {
		l.Values = map[Condition]map[string]float64{}
	}
	if l.Values[c] == nil {
		l.Values[c] = map[string]float64{}
	}
	l.Values[c][param] = v
}

// finishLimits refuses unknown conditions and lists those that exist.
func finishLimits(m *mapping) {
	var unknown []string
	for k := range m.fields {
		if !isCondition(k) {
			unknown = append(unknown, k)
		}
	}
	sort.Strings(unknown)
	var names []string
	for _, c := range Conditions() {
		names = append(names, string(c))
	}
	for _, k := range unknown {
		m.problem(clip(k), "no such condition; known: %s", strings.Join(names, ", "))
	}
}

func isCondition(name string) bool {
	for _, s := range limitSpecs {
		if string(s.Condition) == name {
			return true
		}
	}
	return false
}

// exampleLimit shows how a condition is overridden, from its own table.
func exampleLimit(c Condition) string {
	for _, s := range limitSpecs {
		if s.Condition == c {
			return fmt.Sprintf("{%s: %s}", s.Param, units.FormatExact(s.Dimension, s.Default, SI))
		}
	}
	return "{}"
}
