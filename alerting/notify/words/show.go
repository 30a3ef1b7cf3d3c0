package words

import (
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Day is a day in words, such as "Wed November 25".
func Day(l Lang, t time.Time) string {
	p := of(l)
	return strings.NewReplacer("{weekday}", p.Weekdays[t.Weekday()], "{month}", p.Months[t.Month()-1], "{day}", strconv.Itoa(t.Day())).Replace(p.Days)
}

// Month is a month in words, with its year.
func Month(l Lang, t time.Time) string {
	if l == Spanish {
		return of(l).Months[t.Month()-1] + " de " + strconv.Itoa(t.Year())
	}
	return of(l).Months[t.Month()-1] + " " + strconv.Itoa(t.Year())
}

// at is a moment in the property's zone, with its name: around the change of
// clocks only the name tells two times apart.
func at(l Lang, t time.Time, zone *time.Location) string {
	t = t.In(zone)
	return Day(l, t) + ", " + t.Format("15:04 MST")
}

// figure is a value in the system of units of the reader.
func figure(q site.Quantity, v float64, sys units.System, l Lang) string {
	p := of(l)
	boolean := func(no, yes string) string {
		if v >= 0.5 {
			return yes
		}
		return no
	}
	switch q {
	case site.HighWater, site.Leak:
		return boolean(p.Dry, p.Wet)
	case site.Mains, site.PumpOn:
		return boolean(p.Off, p.On)
	}
	return units.Format(Dimension(q), v, sys)
}

// Dimension of a quantity that has a unit.
func Dimension(q site.Quantity) units.Dimension {
	switch q {
	case site.RH:
		return units.RelHumidity
	case site.AirTemp, site.SurfaceTemp:
		return units.Temperature
	case site.WoodMoisture:
		return units.WoodMoisture
	case site.PumpRun:
		return units.Duration
	case site.WaterLevel, site.Rain:
		return units.Depth
	case site.DehumidifierPower, site.FanPower:
		return units.Power
	case site.Battery:
		return units.Percent
	}
	return units.Count
}

var quantityNames = map[Lang]map[site.Quantity]string{
	English: {site.RH: "Relative humidity", site.AirTemp: "Air temperature", site.SurfaceTemp: "Surface temperature", site.WoodMoisture: "Wood moisture",
		site.PumpRun: "Last pump run", site.PumpOn: "Pump", site.WaterLevel: "Water level", site.HighWater: "High-water float", site.Leak: "Leak sensor",
		site.Rain: "Rain", site.Mains: "Power", site.DehumidifierPower: "Dehumidifier power", site.FanPower: "Fan power", site.Battery: "Battery"},
	Spanish: {site.RH: "Humedad relativa", site.AirTemp: "Temperatura del aire", site.SurfaceTemp: "Temperatura de la superficie", site.WoodMoisture: "Humedad de la madera",
		site.PumpRun: "Último ciclo de bomba", site.PumpOn: "Bomba", site.WaterLevel: "Nivel de agua", site.HighWater: "Flotador de nivel máximo", site.Leak: "Sensor de fugas",
		site.Rain: "Lluvia", site.Mains: "Corriente", site.DehumidifierPower: "Potencia del deshumidificador", site.FanPower: "Potencia del extractor", site.Battery: "Batería"},
}

// QuantityName heads a figure or a chart.
func QuantityName(l Lang, q site.Quantity) string { return quantityNames[l][q] }

// Line makes text from outside fit for one line of a message or a header: no
// control characters, nothing that turns the direction of the text, not longer
// than 200 characters.
func Line(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case r == '\n', r == '\r', r == '\t', r == '\u2028', r == '\u2029':
			return ' '
		case r < ' ', r == 0x7f, r >= 0x80 && r < 0xa0, r >= '\u202a' && r <= '\u202e', r >= '\u2066' && r <= '\u2069', r == utf8.RuneError:
			return -1
		}
		return r
	}, text)
	if utf8.RuneCountInString(text) > 200 {
		text = string([]rune(text)[:199]) + "…"
	}
	return strings.TrimSpace(text)
}
