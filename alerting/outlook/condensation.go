package outlook

import (
	"math"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// Forecast of the outdoor air, hour by hour.
type Forecast struct {
	Source string
	Hours  []ForecastHour // by rising time
}

// ForecastHour is the outdoor air at one hour.
type ForecastHour struct {
	At              time.Time
	TempC, DewC     float64
	RainMM          float64 // that falls in the hour; NaN: not known
	UTempK, UDewC90 float64 // 90 % half-widths; 0: taken as 2 K (common practice, no source)
}

// Chance of a surface coming within the limit of the dew point.
type Chance string

// The chances.
const (
	Expected    Chance = "expected"     // the whole range is within the limit
	Possible    Chance = "possible"     // part of it
	NotExpected Chance = "not-expected" // none of it
	Unknown     Chance = "unknown"
)

// Condensation is the outlook for the coming night, 18:00 to 09:00 in the
// property's zone, or the rest of the present one.
type Condensation struct {
	From, To time.Time
	Source   string // of the forecast; "" without one
	Reason   string // why there is no forecast
	Surfaces []SurfaceNight
}

// SurfaceNight is the coldest margin of one surface, K above the dew point of
// its air.
type SurfaceNight struct {
	Point, Air string
	LimitK     float64 // of the condition
	Chance     Chance
	Reason     string // of Unknown
	ByForecast bool
	MarginK    Range // expected coldest of the night
	Nights     []Night
	TrendK     float64 // change from night to night; of the last nights
	// With a forecast: how the surface follows outdoor temperature and the dew
	// point under the house follows the one outdoors.
	SurfaceFollows, DewFollows float64
}

// Night is a night that was measured.
type Night struct {
	Began   time.Time // 18:00 of that day
	MarginK float64   // its coldest half hour
	At      time.Time
	Covered float64 // share of its half hours with readings
}

const (
	nightBegins, nightEnds = 18, 9 // o'clock
	nightsBehind           = 3
	noForecast             = "no weather forecast"
)

// CondensationTonight figures the coming night for every surface with paired
// air.
func CondensationTonight(in Input) Condensation {
	zone := in.Property.Zone()
	began := nightBefore(in.Now, zone)
	if !in.Now.Before(nightEnd(began)) {
		began = began.AddDate(0, 0, 1)
	}
	c := Condensation{From: began, To: nightEnd(began)}
	if in.Now.After(c.From) {
		c.From = in.Now
	}
	if in.Forecast == nil {
		c.Reason = noForecast
	} else {
		c.Source = in.Forecast.Source
	}
	if !in.Property.Limits.Enabled(site.CondensationRisk) {
		return c
	}
	for _, pt := range in.Property.Points {
		if pt.Has(site.SurfaceTemp) && pt.Air != "" && !pt.Outdoors {
			c.Surfaces = append(c.Surfaces, surfaceTonight(in, pt, c, began))
		}
	}
	return c
}

// nightBefore is the last 18:00 not after now.
func nightBefore(now time.Time, zone *time.Location) time.Time {
	local := now.In(zone)
	began := time.Date(local.Year(), local.Month(), local.Day(), nightBegins, 0, 0, 0, zone)
	if began.After(now) {
		began = began.AddDate(0, 0, -1)
	}
	return began
}

func nightEnd(began time.Time) time.Time {
	return time.Date(began.Year(), began.Month(), began.Day()+1, nightEnds, 0, 0, 0, began.Location())
}

func surfaceTonight(in Input, pt site.Point, c Condensation, began time.Time) SurfaceNight {
	s := SurfaceNight{Point: pt.ID, Air: pt.Air, LimitK: in.Property.Limits.Value(site.CondensationRisk, "below"), Chance: Unknown}
	m := marginsOf(in, pt)
	for back := 1; back <= nightsBehind; back++ {
		if n, ok := m.night(in.Now, began.AddDate(0, 0, -back)); ok {
			s.Nights = append([]Night{n}, s.Nights...)
		}
	}
	sensors := sensorErrorK(in.Property, pt, m)
	if in.Forecast != nil && s.byForecast(in, m, c, sensors) {
		s.judge()
		return s
	}
	if len(s.Nights) < nightsBehind {
		s.Reason = "fewer than three nights with readings of surface and air"
		return s
	}
	s.fromNights(sensors)
	s.judge()
	return s
}

// fromNights carries the last nights on: the last one plus the median step
// from night to night. The range is the largest step that was seen either way,
// with the sensors' own error.
func (s *SurfaceNight) fromNights(sensorK float64) {
	var steps []float64
	var largest float64
	for i := 1; i < len(s.Nights); i++ {
		step := s.Nights[i].MarginK - s.Nights[i-1].MarginK
		steps, largest = append(steps, step), math.Max(largest, math.Abs(step))
	}
	s.TrendK = median(steps)
	expected := s.Nights[len(s.Nights)-1].MarginK + s.TrendK
	half := math.Hypot(largest, sensorK)
	s.MarginK = Range{expected, expected - half, expected + half}
}

func (s *SurfaceNight) judge() {
	switch {
	case s.MarginK.High < s.LimitK:
		s.Chance = Expected
	case s.MarginK.Low < s.LimitK:
		s.Chance = Possible
	default:
		s.Chance = NotExpected
	}
}

// margins are half-hour medians of a surface, of the dew point of its air, and
// of the outdoor air, the latest first.
type margins struct {
	surface, temp, rh, dew, outTemp, outDew []float64
}

const halfHours = int(Back / (30 * time.Minute))

func marginsOf(in Input, pt site.Point) margins {
	get := func(point string, q site.Quantity) []float64 {
		return bins(in.Series[Series{point, q}], in.Now, 30*time.Minute, halfHours)
	}
	m := margins{surface: get(pt.ID, site.SurfaceTemp), temp: get(pt.Air, site.AirTemp), rh: get(pt.Air, site.RH)}
	m.dew = dewPoints(m.temp, m.rh)
	for _, o := range in.Property.Points {
		if o.Outdoors && o.Has(site.RH) && o.Has(site.AirTemp) {
			m.outTemp = get(o.ID, site.AirTemp)
			m.outDew = dewPoints(m.outTemp, get(o.ID, site.RH))
			return m
		}
	}
	m.outTemp = get(site.StationPoint, site.AirTemp) // hourly: every other half hour is not known
	m.outDew = dewPoints(m.outTemp, get(site.StationPoint, site.RH))
	return m
}

func dewPoints(temp, rh []float64) []float64 {
	out := make([]float64, len(temp))
	for i := range out {
		out[i] = math.NaN()
		if !math.IsNaN(temp[i]) && !math.IsNaN(rh[i]) {
			out[i] = air.FastDewPointC(temp[i], rh[i])
		}
	}
	return out
}

// night that began at 18:00; false when less than three quarters of it has
// readings.
func (m margins) night(now, began time.Time) (Night, bool) {
	n := Night{Began: began, MarginK: math.Inf(1)}
	end, have, all := nightEnd(began), 0, 0
	for k := range m.surface {
		at := now.Add(-time.Duration(k)*30*time.Minute - 15*time.Minute)
		if at.Before(began) || !at.Before(end) {
			continue
		}
		all++
		v := m.surface[k] - m.dew[k]
		if math.IsNaN(v) {
			continue
		}
		have++
		if v < n.MarginK {
			n.MarginK, n.At = v, at
		}
	}
	if all > 0 {
		n.Covered = float64(have) / float64(all)
	}
	return n, n.Covered >= leastCovered
}

// Accuracy of a sensor whose file gives none: common practice, no source.
const (
	usualRHPct = 3.0
	usualTempK = 0.5
)

// sensorErrorK is the 90 % half-width of a margin from the accuracies of its
// sensors, at the present air (JCGM 100:2008 equation 10 through package air).
func sensorErrorK(p site.Property, surface site.Point, m margins) float64 {
	airPoint, ok := p.Point(surface.Air)
	if !ok {
		airPoint = &site.Point{}
	}
	uT, uRH, uS := accuracy(airPoint, site.AirTemp, usualTempK), accuracy(airPoint, site.RH, usualRHPct), accuracy(&surface, site.SurfaceTemp, usualTempK)
	temp, rh := 20.0, 60.0
	for k := range m.dew {
		if !math.IsNaN(m.dew[k]) {
			temp, rh = m.temp[k], m.rh[k]
			break
		}
	}
	std := air.StandardFromLimit
	dewK := air.FastDewPointUncertaintyK(temp, rh, air.FastDewPointC(temp, rh), std(uT), std(uRH))
	return z90 * math.Hypot(dewK, std(uS))
}

func accuracy(pt *site.Point, q site.Quantity, usual float64) float64 {
	if pt.Sensor != nil {
		if a, ok := pt.Sensor.Accuracy[q]; ok {
			return a
		}
	}
	return usual
}
