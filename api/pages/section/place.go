package section

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"strings"

	"underkeep/store/site"
)

// region of the picture where points of one kind stand.
type region struct {
	fromX, toX float64
	y          float64
}

// The regions; several points of one kind share theirs evenly.
var regions = map[string]region{
	"air":          {145, 500, 182},
	"duct":         {170, 330, ceiling + 17},
	"pipe":         {380, 500, ceiling + 15},
	"joist":        {180, 560, ceiling - 10},
	"rim":          {left + 6, left + 6, ceiling - 10},
	"wall":         {left + 6, left + 6, 215},
	"slab":         {200, 280, floor - 4},
	"floor":        {400, 490, floor - 8},
	"basin":        {basinL - 14, basinL - 14, 284},
	"dehumidifier": {372, 372, floor - 20},
	"fan":          {right - 16, right - 16, 160},
	"outdoors":     {-14, -14, 66},
	"gauge":        {-14, -14, ceiling - 12},
	"supply":       {right - 60, right - 60, ceiling - 48},
	"other":        {200, 470, 222},
}

// regionOf says where a point stands, by what it measures.
func regionOf(p site.Point) string {
	measures := func(qs ...site.Quantity) bool {
		return slices.ContainsFunc(p.Measures, func(q site.Quantity) bool { return slices.Contains(qs, q) })
	}
	switch {
	case measures(site.Rain):
		return "gauge"
	case p.Outdoors:
		return "outdoors"
	case measures(site.PumpRun, site.PumpOn, site.WaterLevel, site.HighWater):
		return "basin"
	case measures(site.Leak):
		return "floor"
	case measures(site.DehumidifierPower):
		return "dehumidifier"
	case measures(site.FanPower):
		return "fan"
	case measures(site.Mains):
		return "supply"
	case measures(site.WoodMoisture) && !measures(site.RH):
		return "joist"
	case p.Surface != "":
		if _, known := regions[p.Surface]; known {
			return p.Surface
		}
		return "other"
	case measures(site.RH, site.AirTemp):
		return "air"
	default:
		return "other"
	}
}

// placed is a spot with where it stands in the picture.
type placed struct {
	Spot
	x, y float64
	// toLeft writes the values on the left of the mark.
	toLeft bool
	// mute leaves the values to the table, for want of room.
	mute bool
}

const wide = 104 // room for a mark with its values

// places gives every spot its place, those of one region side by side in the
// order of their labels.
func (s Scene) places() []placed {
	groups := make(map[string][]Spot)
	for _, spot := range s.Spots {
		r := regionOf(spot.Point)
		groups[r] = append(groups[r], spot)
	}
	var out []placed
	for name, spots := range groups {
		out = append(out, spread(regions[name], spots, name == "basin" || name == "fan")...)
	}
	// The map's order must not show in the bytes of the page.
	slices.SortStableFunc(out, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x), cmp.Compare(a.Point.ID, b.Point.ID))
	})
	return out
}

// spread puts spots along their region; where it is no line they stand above
// each other.
func spread(r region, spots []Spot, toLeft bool) []placed {
	out := make([]placed, len(spots))
	step := (r.toX - r.fromX) / float64(max(len(spots)-1, 1))
	for i, spot := range spots {
		p := placed{Spot: spot, x: r.fromX + step*float64(i), y: r.y, toLeft: toLeft}
		switch {
		case r.toX == r.fromX:
			p.y -= 24 * float64(i)
			p.mute = i > 0
		case len(spots) == 1:
			p.x = (r.fromX + r.toX) / 2
		case step < wide:
			p.y += 26 * float64(i%2)
			p.mute = step*2 < wide
		}
		out[i] = p
	}
	return out
}

func (p placed) draw(b *strings.Builder) {
	class := "spot"
	if p.Old {
		class += " old"
	}
	if p.Wrong {
		class += " wrong-spot"
	}
	text := template.HTMLEscapeString
	fmt.Fprintf(b, `<g class="%s"><title>%s</title>`, class, text(strings.Join(append([]string{p.Point.ID}, p.Values...), ", ")))
	if p.Wrong { // a square, so that it is told apart without colour
		fmt.Fprintf(b, `<rect class="dot" x="%.0f" y="%.0f" width="20" height="20"/>`, p.x-10, p.y-10)
	} else {
		fmt.Fprintf(b, `<circle class="dot" cx="%.0f" cy="%.0f" r="9"/>`, p.x, p.y)
	}
	fmt.Fprintf(b, `<text class="letter" x="%.0f" y="%.0f">%s</text>`, p.x, p.y+4, text(p.Label))
	if !p.mute {
		p.values(b, text)
	}
	b.WriteString(`</g>`)
}

func (p placed) values(b *strings.Builder, text func(string) string) {
	x, class := p.x+14, "value"
	if p.toLeft {
		x, class = p.x-14, "value at-end"
	}
	top := p.y + 5 - 7*float64(len(p.Values)-1)
	for i, v := range p.Values {
		fmt.Fprintf(b, `<text class="%s" x="%.0f" y="%.1f">%s</text>`, class, x, top+14*float64(i), text(v))
	}
}
