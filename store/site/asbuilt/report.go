// Package asbuilt checks what was installed in a space against codes, handbook
// formulae and common practice, from the property's description alone.
package asbuilt

import (
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Status of one figure.
type Status string

// The statuses, from best to worst; not-checked stands apart.
const (
	OK         Status = "ok"
	Attention  Status = "attention"   // no requirement is broken, but it will cause trouble
	NotMet     Status = "not-met"     // a requirement with a source is not met
	NotChecked Status = "not-checked" // the property file leaves out what it needs
)

// Requirement that a figure is held against, in the figure's dimension.
type Requirement struct {
	Compare string  `json:"compare"` // "at least" | "at most" | "between"
	Value   float64 `json:"value"`
	Upper   float64 `json:"upper,omitempty"` // for "between"
	Source  string  `json:"source"`
}

// Figure is one checked value. Value and requirement are in the inside unit of
// Dimension; whoever shows them converts to the property's units.
type Figure struct {
	Part        string          `json:"part"`    // sump | discharge | ventilation | drying | power
	Name        string          `json:"name"`    // machine name, stable
	Label       string          `json:"label"`   // in words
	Formula     string          `json:"formula"` // readable, with the symbols explained
	Source      string          `json:"source"`  // of the formula
	Dimension   units.Dimension `json:"-"`
	Value       float64         `json:"value"`
	HasValue    bool            `json:"-"`
	Requirement *Requirement    `json:"requirement,omitempty"`
	Verdict     string          `json:"verdict"`
	Status      Status          `json:"status"`
}

// Report is the as-built check of one property.
type Report struct {
	Property string          `json:"property"`
	Name     string          `json:"name"`
	Units    site.UnitSystem `json:"units"`
	Figures  []Figure        `json:"figures"`
	Cautions []string        `json:"cautions"`
}

// Status of the whole: the worst of its figures; NotChecked when nothing was checked.
func (r Report) Status() Status {
	rank := map[Status]int{NotChecked: 0, OK: 1, Attention: 2, NotMet: 3}
	worst := NotChecked
	for _, f := range r.Figures {
		if rank[f.Status] > rank[worst] {
			worst = f.Status
		}
	}
	return worst
}

// Find a figure by its name.
func (r Report) Find(name string) (Figure, bool) {
	for _, f := range r.Figures {
		if f.Name == name {
			return f, true
		}
	}
	return Figure{}, false
}
