package asbuilt

import (
	"errors"
	"fmt"
	"strings"

	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Check holds a property's description against codes, handbook formulae and common
// practice. What the file leaves out is reported as not checked.
func Check(p site.Property) Report {
	r := Report{Property: p.ID, Name: p.Name, Units: p.Units}
	r.Figures = append(r.Figures, sumpFigures(p)...)
	r.Figures = append(r.Figures, ventilationFigures(p)...)
	r.Figures = append(r.Figures, dryingFigures(p)...)
	r.Cautions = cautions(p)
	return r
}

// Where a figure has no better source.
const (
	commonPractice = "common practice, no source"
	geometry       = "geometry"
)

// spec is what stays the same about a figure, whatever the property.
type spec struct {
	part, name, label string
	formula, source   string
	dim               units.Dimension
}

// value of a figure with its requirement (nil: none), status and verdict.
func (s spec) value(v float64, req *Requirement, st Status, verdict string) Figure {
	return Figure{
		Part: s.part, Name: s.name, Label: s.label, Formula: s.formula, Source: s.source,
		Dimension: s.dim, Value: v, HasValue: true, Requirement: req, Verdict: verdict, Status: st,
	}
}

// verdict of a figure that has no number.
func (s spec) verdict(st Status, verdict string) Figure {
	f := s.value(0, nil, st, verdict)
	f.HasValue = false
	return f
}

// without is the figure that could not be worked out: not checked when the file
// leaves something out, not met when what it says is impossible.
func (s spec) without(err error, req *Requirement) Figure {
	f := s.verdict(NotMet, "cannot be: "+err.Error())
	f.Requirement = req
	if errors.Is(err, errMissing) {
		f.Status, f.Verdict = NotChecked, "not checked: "+err.Error()
	}
	return f
}

// atLeast is a requirement from below, atMost one from above.
func atLeast(v float64, source string) *Requirement {
	return &Requirement{Compare: "at least", Value: v, Source: source}
}

func atMost(v float64, source string) *Requirement {
	return &Requirement{Compare: "at most", Value: v, Source: source}
}

// between is a requirement from both sides.
func between(low, high float64, source string) *Requirement {
	return &Requirement{Compare: "between", Value: low, Upper: high, Source: source}
}

// meets compares with a little slack for values that were converted from other units.
func (r Requirement) meets(v float64) bool {
	const slack = 1e-9
	switch r.Compare {
	case "at least":
		return v >= r.Value*(1-slack)
	case "at most":
		return v <= r.Value*(1+slack)
	}
	return v >= r.Value*(1-slack) && v <= r.Upper*(1+slack)
}

// judge holds a value against its requirement: ok with one verdict, else the given
// status with the other.
func (s spec) judge(v float64, req *Requirement, good string, bad Status, why string) Figure {
	if req.meets(v) {
		return s.value(v, req, OK, good)
	}
	return s.value(v, req, bad, why)
}

// share says a fraction as a whole percentage.
func share(fraction float64) string { return fmt.Sprintf("%.0f %%", fraction*100) }

// cautions belong to the work that such a report may lead to.
func cautions(p site.Property) []string {
	out := []string{
		"This is arithmetic on the description of the property, not an inspection. Local codes and licensed practice decide; code sections differ by edition and state.",
		"A crawl space is a confined space: do not enter alone, and not while water stands near wiring. Visible mold on a large area and damaged framing need a specialist.",
	}
	if p.Sump != nil || p.Dehumidifier != nil {
		out = append(out, "Water and mains power: disconnect before reaching into the basin; outlets need ground-fault protection; wiring is a licensed electrician's work.")
	}
	if p.ExhaustFan != nil {
		out = append(out, "An exhaust fan lowers the pressure under the house: it can draw soil gas (radon) in and back-draft fuel-burning appliances. Test for both.")
	}
	if p.Sump != nil {
		out = append(out, "An open basin lets soil gas in; where radon is a concern its lid must be gasketed.")
	}
	return out
}

// list joins words the way a sentence does.
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
