package pages

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"

	"underkeep/api/view"
	"underkeep/store/site"
)

// sensorLine is one point while the sensors come up.
type sensorLine struct {
	Point, Place string
	Values       string
	Age          string
	Battery      string
	Says         string // what is to be thought of it
	Bad          bool
}

type gatewayLine struct {
	ID, Says string
	Bad      bool
}

// fillSensors looks at each point as somebody beside it would: has it reported,
// how long ago, and does it fit with the others?
func (p *pages) fillSensors(r *http.Request, page *visitPage, prop view.Property) error {
	who, now := visitOf(r), p.Now()
	latest, err := p.Source.Latest(r.Context(), who.Scope(), prop.ID)
	if err != nil {
		return err
	}
	byPoint := map[string][]view.Latest{}
	for _, l := range latest {
		byPoint[l.Point] = append(byPoint[l.Point], l)
	}
	up := 0
	for _, pt := range prop.Points {
		line := lookAt(pt, byPoint, prop, now)
		if !line.Bad {
			up++
		}
		page.Sensors = append(page.Sensors, line)
	}
	page.Ready = fmt.Sprintf("%d of %d points are up.", up, len(prop.Points))
	gateways, err := p.Source.Gateways(r.Context(), who.Scope(), prop.ID)
	for _, g := range gateways {
		if g.Revoked {
			continue
		}
		line := gatewayLine{ID: g.ID, Says: "never heard", Bad: true}
		if !g.LastReceived.IsZero() {
			line = gatewayLine{g.ID, g.Presence + ", heard " + ago(now.Sub(g.LastReceived)), g.Presence == "offline" || now.Sub(g.LastReceived) > 30*time.Minute}
		}
		page.Gateways = append(page.Gateways, line)
	}
	return err
}

func lookAt(pt site.Point, byPoint map[string][]view.Latest, prop view.Property, now time.Time) sensorLine {
	line := sensorLine{Point: pt.ID, Place: placeOf(pt)}
	var newest time.Time
	for _, l := range byPoint[pt.ID] {
		if l.Quantity == site.Battery {
			line.Battery = show(l.Quantity, l.Value, prop.Units)
			continue
		}
		if line.Values != "" {
			line.Values += ", "
		}
		line.Values += show(l.Quantity, l.Value, prop.Units)
		newest = later(newest, l.At)
	}
	if newest.IsZero() && line.Battery == "" {
		line.Says, line.Bad = "no reading yet", true
		if pt.Every == 0 {
			line.Says, line.Bad = "reports when something happens; nothing yet", false
		}
		return line
	}
	line.Age = ago(now.Sub(newest))
	switch {
	case pt.Every > 0 && now.Sub(newest) > 2*pt.Every:
		line.Says, line.Bad = fmt.Sprintf("late: it should report every %s", lasting(pt.Every)), true
	default:
		line.Says, line.Bad = plausible(pt, byPoint, prop)
	}
	return line
}

func placeOf(pt site.Point) string {
	switch {
	case pt.Outdoors:
		return "outdoors"
	case pt.Surface != "":
		return pt.Surface
	}
	return ""
}

// How far a new sensor may be from the median of its neighbours in the same
// space before somebody looks again (common practice, no source).
const (
	neighbourRH = 10.0 // %RH
	neighbourC  = 4.0  // K
)

// plausible compares an indoor air point with the others in the same space.
func plausible(pt site.Point, byPoint map[string][]view.Latest, prop view.Property) (string, bool) {
	for _, q := range []site.Quantity{site.HighWater, site.Leak} {
		if wet, ok := valueOf(byPoint[pt.ID], q); ok && wet != 0 {
			return "wet: power off at the panel before you go near", true
		}
	}
	says := "reports"
	if pt.Outdoors {
		return says, false
	}
	for _, c := range []struct {
		q     site.Quantity
		limit float64
		text  string
	}{{site.RH, neighbourRH, "%.0f %%RH off its neighbours"}, {site.AirTemp, neighbourC, "%.0f degrees off its neighbours"}} {
		own, ok := valueOf(byPoint[pt.ID], c.q)
		if !ok {
			continue
		}
		if c.q == site.RH && (own <= 2 || own >= 99.5) {
			return "stands at the end of its range: look whether it is wet or unplugged", true
		}
		var others []float64
		for _, other := range prop.Points {
			if other.ID == pt.ID || other.Outdoors {
				continue
			}
			if v, ok := valueOf(byPoint[other.ID], c.q); ok {
				others = append(others, v)
			}
		}
		if len(others) == 0 {
			continue
		}
		diff := own - medianOf(others)
		if math.Abs(diff) > c.limit {
			if c.q == site.AirTemp && prop.Units == site.US {
				diff *= 1.8
			}
			return fmt.Sprintf(c.text, math.Abs(diff)), true
		}
		says = "reports, fits the others"
	}
	return says, false
}

func valueOf(ls []view.Latest, q site.Quantity) (float64, bool) {
	for _, l := range ls {
		if l.Quantity == q {
			return l.Value, true
		}
	}
	return 0, false
}

func medianOf(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
