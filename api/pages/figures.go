package pages

import (
	"fmt"
	"time"

	"underkeep/store/site"
)

// figure is how one quantity is shown: its unit, digits and conversion.
type figure struct {
	unit     string
	decimals int
	convert  func(float64) float64
}

func same(v float64) float64 { return v }

// figureOf a quantity in a property's units.
func figureOf(q site.Quantity, system site.UnitSystem) figure {
	us := system == site.US
	switch q {
	case site.RH:
		return figure{" %RH", 0, same}
	case site.AirTemp, site.SurfaceTemp:
		if us {
			return figure{" °F", 1, func(c float64) float64 { return c*9/5 + 32 }}
		}
		return figure{" °C", 1, same}
	case site.Rain:
		if us {
			return figure{" in", 2, func(mm float64) float64 { return mm / 25.4 }}
		}
		return figure{" mm", 1, same}
	case site.WaterLevel:
		if us {
			return figure{" in", 1, func(mm float64) float64 { return mm / 25.4 }}
		}
		return figure{" mm", 0, same}
	case site.WoodMoisture:
		return figure{" %", 1, same}
	case site.PumpRun:
		return figure{" s", 0, same}
	case site.DehumidifierPower, site.FanPower:
		return figure{" W", 0, same}
	default:
		return figure{" %", 0, same}
	}
}

// show a value as a person reads it.
func show(q site.Quantity, v float64, system site.UnitSystem) string {
	if words, ok := booleanWords[q]; ok {
		if v != 0 {
			return words[1]
		}
		return words[0]
	}
	f := figureOf(q, system)
	return fmt.Sprintf("%.*f%s", f.decimals, f.convert(v), f.unit)
}

// ago says how long ago in the largest whole unit that still tells something.
func ago(d time.Duration) string {
	switch {
	case d < 0:
		return "ahead of the clock"
	case d < time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return plural(int(d.Minutes()), "minute") + " ago"
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour") + " ago"
	default:
		return plural(int(d.Hours()/24), "day") + " ago"
	}
}

// lasting is ago without its direction.
func lasting(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return plural(max(0, int(d.Minutes())), "minute")
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour")
	default:
		return plural(int(d.Hours()/24), "day")
	}
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// clock is a moment in the property's zone, with the day when it is not today.
func clock(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	switch {
	case t.YearDay() == now.YearDay() && t.Year() == now.Year():
		return t.Format("15:04")
	case now.Sub(t) < 300*24*time.Hour:
		return t.Format("Jan 2, 15:04")
	default:
		return t.Format("Jan 2, 2006, 15:04")
	}
}

// zoneOf a property; UTC, named so, should its zone not be known here.
func zoneOf(p site.Property) *time.Location {
	zone, err := time.LoadLocation(p.Timezone)
	if err != nil {
		return time.UTC
	}
	return zone
}
