package weather

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"time"

	"underkeep/alerting/air"
)

// Hour of a forecast. What is not known is NaN.
type Hour struct {
	At          time.Time // begin of the hour
	TempC, DewC float64
	RainMM      float64 // that falls within it
}

// Forecast of one cell of the service's grid.
type Forecast struct {
	UpdatedAt time.Time
	Hours     []Hour // by rising time
}

const maxForecastHours = 8 * 24

type gridSeries struct {
	Unit   string `json:"uom"`
	Values []struct {
		ValidTime string   `json:"validTime"`
		Value     *float64 `json:"value"`
	} `json:"values"`
}

// ParseForecast reads the raw data of a grid cell: temperature, dew point (or,
// where it is missing, relative humidity) and quantitative precipitation, each over
// intervals of its own.
func ParseForecast(body []byte) (Forecast, error) {
	var doc struct {
		Properties struct {
			UpdateTime time.Time  `json:"updateTime"`
			Temp       gridSeries `json:"temperature"`
			Dew        gridSeries `json:"dewpoint"`
			RH         gridSeries `json:"relativeHumidity"`
			Rain       gridSeries `json:"quantitativePrecipitation"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(body, &doc); err != nil {
		return Forecast{}, fmt.Errorf("read forecast: %w", err)
	}
	p := &doc.Properties
	temp, err := hourly("temperature", p.Temp, tempUnits, false)
	dew, err2 := hourly("dewpoint", p.Dew, tempUnits, false)
	rh, err3 := hourly("relativeHumidity", p.RH, shareUnits, false)
	rain, err4 := hourly("quantitativePrecipitation", p.Rain, depthUnits, true)
	if err := errors.Join(err, err2, err3, err4); err != nil {
		return Forecast{}, fmt.Errorf("read forecast: %w", err)
	}
	f := Forecast{UpdatedAt: p.UpdateTime.UTC()}
	for at, t := range temp {
		f.Hours = append(f.Hours, Hour{At: time.Unix(at, 0).UTC(), TempC: t, DewC: dewOf(t, at, dew, rh), RainMM: orNaN(rain, at)})
	}
	for at, mm := range rain {
		if _, ok := temp[at]; !ok {
			f.Hours = append(f.Hours, Hour{At: time.Unix(at, 0).UTC(), TempC: math.NaN(), DewC: math.NaN(), RainMM: mm})
		}
	}
	if len(f.Hours) == 0 {
		return Forecast{}, errors.New("read forecast: it has no hour")
	}
	slices.SortFunc(f.Hours, func(a, b Hour) int { return a.At.Compare(b.At) })
	f.Hours = f.Hours[:min(len(f.Hours), maxForecastHours)]
	return f, nil
}

func dewOf(tempC float64, at int64, dew, rh map[int64]float64) float64 {
	if v, ok := dew[at]; ok {
		return v
	}
	if v, ok := rh[at]; ok && v > 0 && v <= 100 && tempC > -40 && tempC < 60 {
		return air.FastDewPointC(tempC, v)
	}
	return math.NaN()
}

func orNaN(m map[int64]float64, at int64) float64 {
	if v, ok := m[at]; ok {
		return v
	}
	return math.NaN()
}

// hourly lays values that hold for an interval on its hours; an amount is shared
// among them, a state holds in each.
func hourly(name string, g gridSeries, units map[string]scale, amount bool) (map[int64]float64, error) {
	out := map[int64]float64{}
	for _, v := range g.Values {
		value, ok, err := convert(name, g.Unit, v.Value, units)
		if err != nil {
			return nil, err
		}
		if !ok {
			continue
		}
		from, hours, err := validTime(v.ValidTime)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if amount {
			if value < 0 {
				return nil, fmt.Errorf("%s at %s is %g mm", name, v.ValidTime, value)
			}
			value /= float64(hours)
		}
		for h := range min(hours, maxForecastHours) {
			out[from.Add(time.Duration(h)*time.Hour).Unix()] = value
		}
	}
	return out, nil
}

var isoInterval = regexp.MustCompile(`^([^/]{1,40})/P(?:(\d{1,2})D)?(?:T(?:(\d{1,3})H)?)?$`)

// validTime reads an ISO 8601 interval of whole hours: start/duration.
func validTime(s string) (time.Time, int, error) {
	m := isoInterval.FindStringSubmatch(s)
	if m == nil {
		return time.Time{}, 0, fmt.Errorf("interval %.60q is no start and duration", s)
	}
	at, err := time.Parse(time.RFC3339, m[1])
	if err != nil {
		return time.Time{}, 0, fmt.Errorf("interval %.60q: %w", s, err)
	}
	hours := 0
	for i, unit := range []int{24, 1} {
		if m[2+i] == "" {
			continue
		}
		n, err := strconv.Atoi(m[2+i])
		if err != nil {
			return time.Time{}, 0, fmt.Errorf("interval %.60q: %w", s, err)
		}
		hours += n * unit
	}
	if hours == 0 {
		return time.Time{}, 0, fmt.Errorf("interval %.60q is empty", s)
	}
	return at.UTC().Truncate(time.Hour), hours, nil
}
