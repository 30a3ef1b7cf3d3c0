package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"underkeep/store/site"
	"underkeep/store/site/asbuilt"
	"underkeep/store/site/units"
)

// reportWidth is the most columns of a line of the text report.
const reportWidth = 100

// statusWords as a person reads them.
var statusWords = map[asbuilt.Status]string{
	asbuilt.OK:         "good",
	asbuilt.Attention:  "attention",
	asbuilt.NotMet:     "NOT MET",
	asbuilt.NotChecked: "not checked",
}

// checkText lays the report out in lines of at most reportWidth columns.
func checkText(p site.Property, r asbuilt.Report) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (%s): what was installed, checked\n", r.Name, r.Property)
	fmt.Fprintf(&b, "\n%s\n", strings.Join(wrap(tally(r), reportWidth), "\n"))
	writeList(&b, "NOT MET", atAGlance(r, asbuilt.NotMet))
	writeList(&b, "FOR ATTENTION", atAGlance(r, asbuilt.Attention))
	for _, part := range parts(r) {
		fmt.Fprintf(&b, "\n%s\n", strings.ToUpper(part))
		for _, f := range r.Figures {
			if f.Part == part {
				writeFigure(&b, f, r.Units)
			}
		}
	}
	writeList(&b, "LEFT OUT OF THE FILE", p.Missing())
	writeList(&b, "CAUTIONS", r.Cautions)
	return b.String()
}

// parts in the order of their first figures.
func parts(r asbuilt.Report) []string {
	var out []string
	for _, f := range r.Figures {
		if !slices.Contains(out, f.Part) {
			out = append(out, f.Part)
		}
	}
	return out
}

// atAGlance lists the figures of one status with value, requirement and verdict.
func atAGlance(r asbuilt.Report, st asbuilt.Status) []string {
	var out []string
	for _, f := range r.Figures {
		if f.Status != st {
			continue
		}
		text := f.Label
		if f.HasValue {
			text += ": " + units.Format(f.Dimension, f.Value, r.Units)
		}
		if f.Requirement != nil {
			text += ", required " + requirementText(f, r.Units)
		}
		out = append(out, text+"; "+f.Verdict)
	}
	return out
}

// writeFigure puts label, value and status in columns, and what belongs to them
// below.
func writeFigure(b *strings.Builder, f asbuilt.Figure, sys units.System) {
	const labelWidth, valueWidth = 66, 16
	value := ""
	if f.HasValue {
		value = units.Format(f.Dimension, f.Value, sys)
	}
	label := wrap(f.Label, labelWidth)
	fmt.Fprintf(b, "  %s %s  %s\n", padRight(label[0], labelWidth), padLeft(value, valueWidth), statusWords[f.Status])
	for _, l := range label[1:] {
		fmt.Fprintf(b, "  %s\n", l)
	}
	writeAside(b, "verdict", f.Verdict)
	if f.Requirement != nil {
		writeAside(b, "required", requirementText(f, sys)+" ("+f.Requirement.Source+")")
	}
	writeAside(b, "formula", f.Formula)
	writeAside(b, "source", f.Source)
}

func writeAside(b *strings.Builder, name, text string) {
	const indent = 15
	if text == "" {
		return
	}
	for i, l := range wrap(text, reportWidth-indent) {
		head := ""
		if i == 0 {
			head = name
		}
		fmt.Fprintf(b, "      %-9s%s\n", head, l)
	}
}

func writeList(b *strings.Builder, title string, items []string) {
	if len(items) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	for _, it := range items {
		for i, l := range wrap(it, reportWidth-4) {
			mark := "  - "
			if i > 0 {
				mark = "    "
			}
			fmt.Fprintf(b, "%s%s\n", mark, l)
		}
	}
}

// requirementText is the requirement in the units of the property.
func requirementText(f asbuilt.Figure, sys units.System) string {
	r := f.Requirement
	text := r.Compare + " " + inUnitOf(f, r.Value, sys)
	if r.Compare == "between" {
		text += " and " + inUnitOf(f, r.Upper, sys)
	}
	return text
}

// inUnitOf shows v in the unit that the figure's own value is shown in, so that
// the two compare at a glance.
func inUnitOf(f asbuilt.Figure, v float64, sys units.System) string {
	if f.Dimension == units.Duration || !f.HasValue || f.Value == 0 {
		return units.Format(f.Dimension, v, sys)
	}
	text, err := units.FormatIn(f.Dimension, v, units.Preferred(f.Dimension, f.Value, sys))
	if err != nil {
		return units.Format(f.Dimension, v, sys)
	}
	return text
}

// tally says how the whole came out.
func tally(r asbuilt.Report) string {
	count := map[asbuilt.Status]int{}
	for _, f := range r.Figures {
		count[f.Status]++
	}
	verdict := "Nothing that was checked falls short of a requirement."
	switch r.Status() {
	case asbuilt.NotMet:
		verdict = "At least one requirement is not met."
	case asbuilt.NotChecked:
		verdict = "Nothing could be checked."
	}
	return fmt.Sprintf("%d not met, %d for attention, %d good, %d not checked. %s", count[asbuilt.NotMet],
		count[asbuilt.Attention], count[asbuilt.OK], count[asbuilt.NotChecked], verdict)
}

// wrap breaks text at spaces into lines of at most width runes; a longer word is
// broken itself.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		for utf8.RuneCountInString(word) > width {
			r := []rune(word)
			if line != "" {
				lines, line = append(lines, line), ""
			}
			lines, word = append(lines, string(r[:width])), string(r[width:])
		}
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	return append(lines, line)
}

func padRight(s string, width int) string {
	return s + strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s)))
}

func padLeft(s string, width int) string {
	return strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s))) + s
}

// jsonCheck is the report of `check --json`. Amounts are in the property's
// units, rounded to six significant digits; requirement and value share a unit.
type jsonCheck struct {
	Property string         `json:"property"`
	Name     string         `json:"name"`
	Units    units.System   `json:"units"`
	Status   asbuilt.Status `json:"status"`
	Figures  []jsonFigure   `json:"figures"`
	Missing  []string       `json:"missing"`
	Cautions []string       `json:"cautions"`
}

type jsonFigure struct {
	Part        string           `json:"part"`
	Name        string           `json:"name"`
	Label       string           `json:"label"`
	Formula     string           `json:"formula"`
	Source      string           `json:"source"`
	Value       *float64         `json:"value"` // null when it could not be worked out
	Unit        string           `json:"unit"`
	Requirement *jsonRequirement `json:"requirement"` // null where nothing is required
	Verdict     string           `json:"verdict"`
	Status      asbuilt.Status   `json:"status"`
}

type jsonRequirement struct {
	Compare string   `json:"compare"` // at least | at most | between
	Value   float64  `json:"value"`
	Upper   *float64 `json:"upper,omitempty"` // of between
	Unit    string   `json:"unit"`
	Source  string   `json:"source"`
}

func checkJSON(p site.Property, r asbuilt.Report) jsonCheck {
	out := jsonCheck{
		Property: r.Property, Name: r.Name, Units: r.Units, Status: r.Status(),
		Figures: make([]jsonFigure, 0, len(r.Figures)),
		Missing: append([]string{}, p.Missing()...), Cautions: append([]string{}, r.Cautions...),
	}
	for _, f := range r.Figures {
		out.Figures = append(out.Figures, figureJSON(f, r.Units))
	}
	return out
}

func figureJSON(f asbuilt.Figure, sys units.System) jsonFigure {
	anchor := f.Value
	if (!f.HasValue || f.Value == 0) && f.Requirement != nil {
		anchor = f.Requirement.Value
	}
	unit := units.Preferred(f.Dimension, anchor, sys)
	convert := func(v float64) *float64 {
		c, err := units.Convert(f.Dimension, v, unit)
		if err != nil || math.IsNaN(c) || math.IsInf(c, 0) {
			return nil
		}
		c, _ = strconv.ParseFloat(strconv.FormatFloat(c, 'g', 6, 64), 64)
		return &c
	}
	out := jsonFigure{
		Part: f.Part, Name: f.Name, Label: f.Label, Formula: f.Formula, Source: f.Source,
		Unit: unit, Verdict: f.Verdict, Status: f.Status,
	}
	if f.HasValue {
		out.Value = convert(f.Value)
	}
	if req := f.Requirement; req != nil {
		jr := &jsonRequirement{Compare: req.Compare, Unit: unit, Source: req.Source}
		if v := convert(req.Value); v != nil {
			jr.Value = *v
		}
		if req.Compare == "between" {
			jr.Upper = convert(req.Upper)
		}
		out.Requirement = jr
	}
	return out
}
