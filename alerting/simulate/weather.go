package simulate

import (
	"bufio"
	"bytes"
	"compress/gzip"
	_ "embed"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Sources of the embedded series; both are free of restrictions.
//
//   - weather2013: hourly temperature, dew point and rain at three airports,
//     2013; NOAA/ASOS via Iowa Environmental Mesonet, R package nycflights13, CC0.
//   - rain2016: one gauge, 15 min, water year 2016; USGS 05408480, public domain.
//   - rain2007: basin mean, hourly, 2007 to mid 2008; USGS, Cedar Creek, public domain.
var (
	//go:embed data/weather2013.csv.gz
	weather2013 []byte
	//go:embed data/rain2016.csv.gz
	rain2016 []byte
	//go:embed data/rain2007.csv.gz
	rain2007 []byte
)

// Station names a measured series of outdoor air and hourly rain.
type Station string

// The stations of the embedded weather, each one calendar year (2013).
const (
	Newark    Station = "EWR"
	Kennedy   Station = "JFK"
	LaGuardia Station = "LGA"
)

const hoursAYear = 8760

// Weather is one year of measured outdoor air, repeated for ever. Times are
// shifted by whole days only, so that the sun stays where it was.
type Weather struct {
	tempC, dewC []float64 // per hour of the year
	shift       int64     // s added to a time before looking it up
	warmerC     float64   // added to both temperatures; 0 as measured
}

// Rain is a measured series of rain, repeated for ever, as depth in mm per 5 min.
type Rain struct {
	perStep []float32
	shift   int64
	scale   float64
}

const rainStep = 300 // s

// epoch2013 is the Unix time of hour 0 of the weather series.
var epoch2013 = time.Date(2013, 1, 1, 0, 0, 0, 0, time.UTC).Unix()

var loadYear = sync.OnceValue(func() map[Station]*stationYear {
	years, err := parseYear(weather2013)
	if err != nil {
		panic("simulate: embedded weather: " + err.Error()) // shipped with the package, held by a test
	}
	return years
})

type stationYear struct {
	tempC, dewC []float64
	rainMM      []float64
}

// MeasuredWeather of a station; shift moves it in time by whole days (a
// positive shift lets a moment see the weather of a later day).
func MeasuredWeather(s Station, shift time.Duration) *Weather {
	y := loadYear()[s]
	if y == nil {
		panic("simulate: no weather station " + string(s))
	}
	return &Weather{tempC: y.tempC, dewC: y.dewC, shift: wholeDays(shift)}
}

// Warmer is the same weather with degrees added to air and dew point alike, to
// move a measured year to another climate.
func (w *Weather) Warmer(deltaC float64) *Weather {
	c := *w
	c.warmerC += deltaC
	return &c
}

// MeasuredRain is the hourly rain of an airport in 2013, spread over each hour
// in unequal parts (the hour's total is kept).
func MeasuredRain(s Station, shift time.Duration) *Rain {
	y := loadYear()[s]
	if y == nil {
		panic("simulate: no rain station " + string(s))
	}
	r := &Rain{perStep: make([]float32, hoursAYear*12), shift: wholeDays(shift) - epoch2013, scale: 1}
	for h, mm := range y.rainMM {
		spreadHour(r.perStep[h*12:h*12+12], mm, uint64(h))
	}
	return r
}

// GaugeRain is the 15-minute rain of a gauge over the water year 2016.
func GaugeRain(shift time.Duration) *Rain { return stepsRain(loadGauge(), 15*60, shift) }

// BasinRain is the hourly mean rain over a basin, 2007 to mid 2008.
func BasinRain(shift time.Duration) *Rain { return stepsRain(loadBasin(), 3600, shift) }

// NoRain is a year without any.
func NoRain() *Rain { return &Rain{perStep: make([]float32, 12), scale: 1} }

// Scaled is the same rain with every depth multiplied.
func (r *Rain) Scaled(by float64) *Rain {
	c := *r
	c.scale *= by
	return &c
}

// At is the outdoor air at a Unix time: temperature in °C and vapour pressure
// in Pa, linear between the hours.
func (w *Weather) At(unix int64) (tempC, vapourPa float64) {
	sec := floorMod(unix+w.shift-epoch2013, hoursAYear*3600)
	h, f := sec/3600, float64(sec%3600)/3600
	n := (h + 1) % hoursAYear
	tempC = w.tempC[h] + f*(w.tempC[n]-w.tempC[h]) + w.warmerC
	dew := w.dewC[h] + f*(w.dewC[n]-w.dewC[h]) + w.warmerC
	return tempC, saturationPa(math.Min(dew, tempC))
}

// DepthMM is the rain of the 5-minute step that contains a Unix time.
func (r *Rain) DepthMM(unix int64) float64 {
	i := floorMod(unix+r.shift, int64(len(r.perStep))*rainStep) / rainStep
	return float64(r.perStep[i]) * r.scale
}

// spreadHour shares an hour's rain among its twelve steps, unevenly and always
// the same way for the same hour.
func spreadHour(steps []float32, mm float64, key uint64) {
	if mm <= 0 {
		return
	}
	var weights [12]float64
	var sum float64
	for i := range weights {
		u := uniform(0x5ca77e4, key, uint64(i))
		weights[i] = u * u
		sum += weights[i]
	}
	for i := range steps {
		steps[i] += float32(mm * weights[i] / sum)
	}
}

// depths is a sparse series as shipped: index of the interval and depth in mm.
type depths struct {
	start time.Time
	every int64 // s
	mm    map[int]float64
	last  int
}

func stepsRain(d depths, every int64, shift time.Duration) *Rain {
	per := int(every / rainStep)
	n := (d.last + 1) * per
	n += (288 - n%288) % 288 // whole days, so that a repetition keeps the time of day
	r := &Rain{perStep: make([]float32, n), shift: wholeDays(shift) - d.start.Unix(), scale: 1}
	for i, mm := range d.mm {
		for k := range per {
			r.perStep[i*per+k] += float32(mm / float64(per))
		}
	}
	return r
}

var loadGauge = sync.OnceValue(func() depths {
	// Depths stand at the end of their 15 min; index is the interval before it.
	return mustDepths(rain2016, time.Date(2015, 10, 1, 5, 0, 0, 0, time.UTC), 15*60, func(minutes, v float64) (int, float64) {
		return int(minutes/15) - 1, v * 0.0254
	}, 366*96-1)
})

var loadBasin = sync.OnceValue(func() depths {
	return mustDepths(rain2007, time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC), 3600, func(hours, v float64) (int, float64) {
		return int(hours), v / 100
	}, 547*24-1)
})

func mustDepths(gz []byte, start time.Time, every int64, convert func(a, b float64) (int, float64), last int) depths {
	d := depths{start: start, every: every, mm: map[int]float64{}, last: last}
	err := eachRow(gz, func(cells []string) error {
		a, err := strconv.ParseFloat(cells[0], 64)
		if err != nil {
			return err
		}
		b, err := strconv.ParseFloat(cells[1], 64)
		if err != nil {
			return err
		}
		if i, mm := convert(a, b); i >= 0 && i <= last {
			d.mm[i] += mm
		}
		return nil
	})
	if err != nil {
		panic("simulate: embedded rain: " + err.Error())
	}
	return d
}

func parseYear(gz []byte) (map[Station]*stationYear, error) {
	order := []Station{Newark, Kennedy, LaGuardia}
	years := map[Station]*stationYear{}
	for _, s := range order {
		years[s] = &stationYear{tempC: nans(hoursAYear), dewC: nans(hoursAYear), rainMM: make([]float64, hoursAYear)}
	}
	err := eachRow(gz, func(cells []string) error {
		h, err := strconv.Atoi(cells[0])
		if err != nil || h < 0 || h >= hoursAYear || len(cells) != 1+3*len(order) {
			return fmt.Errorf("row %q: not an hour of the year with %d cells", strings.Join(cells, ","), 1+3*len(order))
		}
		for i, s := range order {
			c := cells[1+3*i:]
			years[s].tempC[h] = tenth(c[0])
			years[s].dewC[h] = tenth(c[1])
			if mm := tenth(c[2]); !math.IsNaN(mm) {
				years[s].rainMM[h] = mm / 10
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, y := range years {
		bridge(y.tempC)
		bridge(y.dewC)
	}
	return years, nil
}

// tenth reads tenths; blank is NaN.
func tenth(s string) float64 {
	v, err := strconv.Atoi(s)
	if err != nil {
		return math.NaN()
	}
	return float64(v) / 10
}

func nans(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.NaN()
	}
	return x
}

// bridge fills missing hours by a straight line between their neighbours, round
// the turn of the year: 24 to 27 hours a station, nearly all at that turn.
func bridge(x []float64) {
	n := len(x)
	first := 0
	for first < n && math.IsNaN(x[first]) {
		first++
	}
	for i, gap := first, 0; i <= first+n; i++ {
		v := x[i%n]
		if math.IsNaN(v) {
			gap++
			continue
		}
		for k := 1; k <= gap; k++ {
			from := x[(i-gap-1+n)%n]
			x[(i-gap-1+k+n)%n] = from + (v-from)*float64(k)/float64(gap+1)
		}
		gap = 0
	}
}

func eachRow(gz []byte, do func(cells []string) error) error {
	r, err := gzip.NewReader(bytes.NewReader(gz))
	if err != nil {
		return fmt.Errorf("open series: %w", err)
	}
	sc := bufio.NewScanner(r)
	for sc.Scan() {
		if line := sc.Text(); line != "" && line[0] != '#' {
			if err := do(strings.Split(line, ",")); err != nil {
				return err
			}
		}
	}
	if err := sc.Err(); err != nil && err != io.EOF {
		return fmt.Errorf("read series: %w", err)
	}
	return nil
}

func wholeDays(d time.Duration) int64 {
	return int64(math.Round(d.Hours()/24)) * 86400
}

func floorMod(a, n int64) int64 {
	m := a % n
	if m < 0 {
		m += n
	}
	return m
}
