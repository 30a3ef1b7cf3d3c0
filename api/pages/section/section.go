// Package section draws a space in section: walls, floor, liner, equipment and
// the points where something is measured, with what they say now. Only what
// the property file describes is drawn. The picture is not to scale, save the
// basin, whose floats stand at their own heights.
package section

import (
	"fmt"
	"html/template"
	"slices"
	"strings"

	"underkeep/store/site"
)

// Spot is one point of the property with what it says now.
type Spot struct {
	Point  site.Point
	Label  string   // one or two characters, the same as in the table beside the picture
	Values []string // short, one a line
	Old    bool     // too old to hold
	Wrong  bool     // an alarm names this point
}

// Scene is what is drawn.
type Scene struct {
	Property site.Property
	Spots    []Spot
	// LevelM is the water in the basin above its floor; negative: not measured.
	LevelM float64
}

// The frame of the picture; the space is a box within the ground.
const (
	pictureL, pictureR  = -34, 724
	pictureH            = 330
	left, right         = 100, 620 // inner faces of the walls
	ceiling, floor      = 122, 250
	basinL, basinR      = 520, 584
	basinTop, basinDeep = floor, 318
	wall                = 16
)

// SVG draws the scene. All text is escaped.
func (s Scene) SVG() template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="section" viewBox="%d 0 %d %d" role="img" aria-labelledby="section-t"><title id="section-t">%s</title>`,
		pictureL, pictureR-pictureL, pictureH, template.HTMLEscapeString(s.spoken()))
	b.WriteString(`<defs><pattern id="section-e" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="earth-line" width="1.4" height="9"/></pattern></defs>`)
	s.shell(&b)
	s.equipment(&b)
	for _, p := range s.places() {
		p.draw(&b)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// spoken is what a screen reader says; the table beside it has the figures.
func (s Scene) spoken() string {
	words := fmt.Sprintf("Section of the space under %s, not to scale, with %d points", s.Property.Name, len(s.Spots))
	var wrong []string
	for _, spot := range s.Spots {
		if spot.Wrong {
			wrong = append(wrong, spot.Point.ID)
		}
	}
	if len(wrong) > 0 {
		words += ". Alarms at: " + strings.Join(wrong, ", ")
	}
	return words + ". The table of present values has the figures."
}

// shell draws ground, walls, liner, floor and joists.
func (s Scene) shell(b *strings.Builder) {
	foot := floor // of the basin, where there is one
	if s.hasBasin() {
		foot = basinDeep + 4
	}
	earth := []int{pictureL, ceiling, left - wall, floor + 20, left, floor, basinL, foot, basinR, floor, right, floor + 20, right + wall, ceiling, pictureR, pictureH}
	fmt.Fprintf(b, `<path class="earth" fill="url(#section-e)" d="M%d %d`, earth[0], earth[1])
	for i := 2; i < len(earth); i += 2 {
		fmt.Fprintf(b, "H%dV%d", earth[i], earth[i+1])
	}
	fmt.Fprintf(b, `H%dZ"/><path class="built" d="M%d %dH%dM%d %dH%d"/>`, pictureL, pictureL, ceiling, left-wall, right+wall, ceiling, pictureR)
	for _, x := range []int{left - wall, right} {
		fmt.Fprintf(b, `<rect class="block" x="%d" y="%d" width="%d" height="%d"/>`, x, ceiling-20, wall, floor+20-(ceiling-20))
		for y := ceiling + 1; y < floor+20; y += 21 {
			fmt.Fprintf(b, `<path class="built" d="M%d %dh%d"/>`, x, y, wall)
		}
	}
	fmt.Fprintf(b, `<rect class="timber" x="%d" y="%d" width="%d" height="8"/>`, left-wall, ceiling-28, right-left+2*wall)
	for x := left + 14; x < right-10; x += 42 {
		fmt.Fprintf(b, `<rect class="timber" x="%d" y="%d" width="7" height="20"/>`, x, ceiling-20)
	}
	fmt.Fprintf(b, `<path class="liner" d="M%d %d V%d H%d"/><path class="liner" d="M%d %d H%d V%d"/>`,
		left+3, ceiling+10, floor-2, basinL-2, basinR+2, floor-2, right-3, ceiling+10)
	fmt.Fprintf(b, `<path class="built" d="M%d %d V48 M%d %d V48"/>`, left-wall, ceiling-28, right+wall, ceiling-28)
}

// hasBasin says whether there is a sump: described, or measured.
func (s Scene) hasBasin() bool {
	return s.Property.Sump != nil || slices.ContainsFunc(s.Spots, func(p Spot) bool { return regionOf(p.Point) == "basin" })
}

// equipment draws what the property file says was installed.
func (s Scene) equipment(b *strings.Builder) {
	if s.hasBasin() {
		s.basin(b)
	} else {
		fmt.Fprintf(b, `<path class="liner" d="M%d %dH%d"/>`, basinL-2, floor-2, basinR+2)
	}
	if s.Property.Dehumidifier != nil {
		fmt.Fprintf(b, `<g class="gear"><rect x="300" y="%d" width="58" height="34" rx="3"/><path d="M308 %dh42M308 %dh42M308 %dh42"/></g>`, floor-38, floor-30, floor-23, floor-16)
	}
	if s.Property.ExhaustFan != nil {
		fmt.Fprintf(b, `<g class="gear"><circle cx="%d" cy="160" r="11"/><path d="M%d 153l0 14M%d 160h14"/></g>`, right+wall/2, right+wall/2, right+wall/2-7)
	}
	if s.has("duct") {
		fmt.Fprintf(b, `<rect class="gear" x="150" y="%d" width="180" height="26" rx="13"/>`, ceiling+4)
	}
	if s.has("pipe") {
		fmt.Fprintf(b, `<path class="gear" d="M352 %dH510M352 %dH510"/>`, ceiling+12, ceiling+19)
	}
}

func (s Scene) has(surface string) bool {
	return slices.ContainsFunc(s.Spots, func(p Spot) bool { return p.Point.Surface == surface })
}

// basin draws the sump with its floats and water at their own heights, and the
// discharge line.
func (s Scene) basin(b *strings.Builder) {
	var sump site.Sump
	if s.Property.Sump != nil {
		sump = *s.Property.Sump
	}
	depth := max(sump.BasinDepthM, sump.HighWaterM*1.2, sump.FloatOnM*1.5, s.LevelM, 0.3)
	y := func(m float64) float64 { return basinDeep - m/depth*(basinDeep-basinTop) }
	if s.LevelM > 0 {
		fmt.Fprintf(b, `<rect class="water" x="%d" y="%.1f" width="%d" height="%.1f"/>`, basinL, y(s.LevelM), basinR-basinL, basinDeep-y(s.LevelM))
	}
	fmt.Fprintf(b, `<path class="basin" d="M%d %dV%dH%dV%d"/>`, basinL, basinTop, basinDeep, basinR, basinTop)
	for _, f := range []struct {
		m    float64
		name string
	}{{sump.FloatOffM, "off"}, {sump.FloatOnM, "on"}, {sump.HighWaterM, "high"}} {
		if f.m > 0 {
			fmt.Fprintf(b, `<path class="float" d="M%d %.1fh12"/><text class="fine" x="%d" y="%.1f">%s</text>`, basinR-12, y(f.m), basinR+4, y(f.m)+4, f.name)
		}
	}
	fmt.Fprintf(b, `<path class="gear" d="M532 %dv-14h20v14ZM542 %dV200H%d"/>`, basinDeep, basinDeep-14, right+wall+22)
	if d := sump.Discharge; d != nil && d.CheckValve {
		fmt.Fprintf(b, `<path class="gear" d="M536 226l6-9 6 9Z"/>`)
	}
}
