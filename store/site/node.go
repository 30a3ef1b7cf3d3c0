package site

import (
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/goccy/go-yaml/ast"

	"underkeep/store/site/units"
)

// mapping reads one mapping of a file field by field. Every asked field is
// remembered, so that finish can refuse the rest and name what is known.
type mapping struct {
	p      *problems
	path   string
	line   int
	sys    units.System // for wording bounds
	fields map[string]*ast.MappingValueNode
	asked  []string
}

// newMapping reports duplicates, and a node that is no mapping; it never
// returns nil.
func newMapping(p *problems, path string, node ast.Node, sys units.System) *mapping {
	m := &mapping{p: p, path: path, line: lineOf(node), sys: sys, fields: map[string]*ast.MappingValueNode{}}
	var values []*ast.MappingValueNode
	switch n := node.(type) {
	case *ast.MappingNode:
		values = n.Values
	case *ast.MappingValueNode:
		values = []*ast.MappingValueNode{n}
	default:
		p.add(m.line, path, "must be fields with values (field: value), not %s", describe(node))
		m.fields = nil
		return m
	}
	for _, v := range values {
		key := keyText(v)
		if first, ok := m.fields[key]; ok {
			p.add(lineOf(v.Key), m.at(key), "given twice; first on line %d", lineOf(first.Key))
			continue
		}
		m.fields[key] = v
	}
	return m
}

func keyText(v *ast.MappingValueNode) string {
	if text, ok := scalar(v.Key); ok {
		return text
	}
	return v.Key.GetToken().Value
}

// at is the path of a field.
func (m *mapping) at(key string) string {
	if m.path == "" {
		return key
	}
	return m.path + "." + key
}

// node returns the field's value, or nil when it is absent or null.
func (m *mapping) node(key string) ast.Node {
	m.asked = append(m.asked, key)
	v, ok := m.fields[key]
	if !ok || v.Value == nil || v.Value.Type() == ast.NullType {
		return nil
	}
	return v.Value
}

func (m *mapping) has(key string) bool {
	v, ok := m.fields[key]
	return ok && v.Value != nil && v.Value.Type() != ast.NullType
}

// lineFor is the line of a field's key, or of the mapping when it is absent.
func (m *mapping) lineFor(key string) int {
	if v, ok := m.fields[key]; ok {
		return lineOf(v.Key)
	}
	return m.line
}

func (m *mapping) problem(key, format string, args ...any) {
	m.p.add(m.lineFor(key), m.at(key), format, args...)
}

func (m *mapping) require(keys ...string) {
	if m.fields == nil {
		return // it is no mapping, which has been said
	}
	for _, k := range keys {
		if !m.has(k) {
			m.p.add(m.line, m.at(k), "is required and missing")
		}
	}
}

// text reads a scalar as written; ok is false when it is absent or refused.
func (m *mapping) text(key string) (string, bool) {
	n := m.node(key)
	if n == nil {
		return "", false
	}
	s, ok := scalar(n)
	if !ok {
		m.problem(key, "must be one value, not %s", describe(n))
	}
	return s, ok
}

// words reads text for people: one line, bounded, without control characters.
func (m *mapping) words(key string, most int) string {
	s, ok := m.text(key)
	if !ok {
		return ""
	}
	s = strings.TrimSpace(s)
	if len([]rune(s)) > most {
		m.problem(key, "is longer than %d characters", most)
		return ""
	}
	if strings.ContainsFunc(s, unicode.IsControl) {
		m.problem(key, "contains a line break or control character")
		return ""
	}
	return s
}

// name reads an id: [a-z0-9][a-z0-9-]{0,39}.
func (m *mapping) name(key string) string {
	s, ok := m.text(key)
	if !ok {
		return ""
	}
	if !ValidID(s) {
		m.problem(key, "%q must be 1 to 40 of a-z, 0-9 and -, not beginning with -", clip(s))
		return ""
	}
	return s
}

// oneOf reads one of a closed list of words.
func (m *mapping) oneOf(key string, accepted ...string) string {
	s, ok := m.text(key)
	if !ok {
		return ""
	}
	for _, a := range accepted {
		if s == a {
			return s
		}
	}
	m.problem(key, "%q is not known; accepted: %s", clip(s), strings.Join(accepted, ", "))
	return ""
}

func (m *mapping) yes(key string) bool {
	return m.oneOf(key, "true", "false") == "true"
}

// bounds of a value in the inside unit of its dimension, inclusive.
type bounds struct{ least, most float64 }

// value reads a number with its unit within bounds.
func (m *mapping) value(key string, dim units.Dimension, b bounds) (float64, bool) {
	s, ok := m.text(key)
	if !ok {
		return 0, false
	}
	return m.parse(key, s, dim, b)
}

func (m *mapping) parse(key, s string, dim units.Dimension, b bounds) (float64, bool) {
	v, err := units.Parse(dim, s)
	if err != nil {
		m.problem(key, "%v", err)
		return 0, false
	}
	if v < b.least || v > b.most {
		m.problem(key, "%q is out of range; possible: %s to %s", clip(s),
			units.Format(dim, b.least, m.sys), units.Format(dim, b.most, m.sys))
		return 0, false
	}
	return v, true
}

// number is value without the report whether it was given.
func (m *mapping) number(key string, dim units.Dimension, b bounds) float64 {
	v, _ := m.value(key, dim, b)
	return v
}

func (m *mapping) duration(key string, least, most time.Duration) time.Duration {
	return seconds(m.number(key, units.Duration, bounds{least.Seconds(), most.Seconds()}))
}

// sub reads a nested mapping; nil when absent.
func (m *mapping) sub(key string) *mapping {
	n := m.node(key)
	if n == nil {
		return nil
	}
	return newMapping(m.p, m.at(key), n, m.sys)
}

// list reads a sequence; nil when absent.
func (m *mapping) list(key string) []ast.Node {
	n := m.node(key)
	if n == nil {
		return nil
	}
	seq, ok := n.(*ast.SequenceNode)
	if !ok {
		m.problem(key, "must be a list, not %s", describe(n))
		return nil
	}
	return seq.Values
}

func (m *mapping) item(key string, i int) string {
	return m.at(key) + "[" + strconv.Itoa(i) + "]"
}

// finish refuses every field that nobody asked for.
func (m *mapping) finish() {
	known := map[string]bool{}
	for _, k := range m.asked {
		known[k] = true
	}
	var unknown []string
	for k := range m.fields {
		if !known[k] {
			unknown = append(unknown, k)
		}
	}
	sort.Strings(unknown)
	for _, k := range unknown {
		m.problemUnknown(k)
	}
}

func (m *mapping) problemUnknown(key string) {
	seen := map[string]bool{}
	var names []string
	for _, k := range m.asked {
		if !seen[k] {
			seen[k] = true
			names = append(names, k)
		}
	}
	m.p.add(m.lineFor(key), m.at(clip(key)), "no such field here; known: %s", strings.Join(names, ", "))
}

// scalar is a node's text as written, without quotes.
func scalar(n ast.Node) (string, bool) {
	switch v := n.(type) {
	case *ast.StringNode:
		return v.Value, true
	case *ast.LiteralNode:
		if v.Value == nil {
			return "", true
		}
		return v.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode, *ast.NullNode:
		return n.GetToken().Value, true
	}
	return "", false
}

func describe(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	}
	if s, ok := scalar(n); ok {
		return strconv.Quote(clip(s))
	}
	return "something else"
}

func lineOf(n ast.Node) int {
	if n == nil || n.GetToken() == nil || n.GetToken().Position == nil {
		return 1
	}
	return max(1, n.GetToken().Position.Line)
}

func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s * float64(time.Second)))
}
