package api

import (
	"errors"
	"net/http"

	"underkeep/alerting/outlook"
	"underkeep/alerting/water"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

type weatherOut struct {
	RainFrom  string              `json:"rain_from"`
	Note      string              `json:"note"`
	DepthUnit string              `json:"depth_unit"`
	Rain      *float64            `json:"station_rain_24h"`
	Looked    bool                `json:"looked_up"`
	Failure   string              `json:"look_up_failure,omitempty"`
	Stations  []weatherStationOut `json:"stations"`
	Forecast  weatherForecastOut  `json:"forecast"`
}

type weatherStationOut struct {
	ID         string   `json:"id"`
	Name       string   `json:"name"`
	Lat        float64  `json:"lat"`
	Lon        float64  `json:"lon"`
	DistanceKm *float64 `json:"distance_km"`
	Used       bool     `json:"used"`
	Named      bool     `json:"named_in_file"`
	Newest     *string  `json:"newest"`
	NewestRain *string  `json:"newest_rain"`
	GapHours   *float64 `json:"longest_gap_hours"`
	weatherAnswerOut
}

type weatherAnswerOut struct {
	AnsweredAt *string `json:"last_success"`
	FailedAt   *string `json:"last_failure"`
	Failure    string  `json:"failure,omitempty"`
}

type weatherForecastOut struct {
	Cell    *string `json:"cell"`
	Updated *string `json:"updated"`
	weatherAnswerOut
}

const weatherNote = "A station some way off: rain there is not rain at the house. It counts where the property has no gauge, and checks the gauge where it has one."

func (s *server) getWeather(w http.ResponseWriter, r *http.Request) {
	q := query(r, "units")
	system := q.units()
	p, err := s.property(r)
	if err = errors.Join(q.err, err); err != nil {
		s.fail(w, r, err)
		return
	}
	found, err := s.Source.Weather(r.Context(), scope(r), p.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showWeather(found, system))
}

func showWeather(w view.Weather, system site.UnitSystem) weatherOut {
	out := weatherOut{RainFrom: "unknown", Note: weatherNote, DepthUnit: "mm", Looked: w.Looked, Failure: w.LookError, Stations: []weatherStationOut{},
		Forecast: weatherForecastOut{Cell: orNull(w.Grid), Updated: stamp(w.UpdatedAt), weatherAnswerOut: showAnswer(w.Forecast)}}
	_, used := w.Station()
	switch {
	case w.HasGauge:
		out.RainFrom = "gauge"
	case used:
		out.RainFrom = "weather-station"
	}
	convert := asIs
	if system == site.US {
		out.DepthUnit, convert = "in", inUnit(units.Depth, "in")
	}
	if w.RainMM != nil {
		out.Rain = finite(convert(*w.RainMM))
	}
	for _, st := range w.Stations {
		o := weatherStationOut{ID: st.ID, Name: st.Name, Lat: st.Lat, Lon: st.Lon, DistanceKm: finite(st.DistanceM / 1000), Used: st.Used, Named: st.Named,
			Newest: stamp(st.NewestAt), NewestRain: stamp(st.NewestRainAt), weatherAnswerOut: showAnswer(st.WeatherAnswer)}
		if st.Used {
			o.GapHours = finite(st.Gap.Hours())
		}
		out.Stations = append(out.Stations, o)
	}
	return out
}

func showAnswer(a view.WeatherAnswer) weatherAnswerOut {
	return weatherAnswerOut{stamp(a.AnsweredAt), stamp(a.FailedAt), a.Failure}
}

type rainOut struct {
	From         string        `json:"from"`
	Point        string        `json:"point,omitempty"`
	DryHours     float64       `json:"dry_hours_between_storms"`
	DepthUnit    string        `json:"depth_unit"`
	RateUnit     string        `json:"rate_unit"`
	Storm        *rainStormOut `json:"storm"`
	Pump         *rainPumpOut  `json:"pump"`
	Ahead        *rainAheadOut `json:"ahead"`
	AheadReason  string        `json:"ahead_reason,omitempty"`
	Design       *designOut    `json:"design_storm"`
	ClassMeaning string        `json:"class_meaning"`
}

type rainStormOut struct {
	From       *string `json:"from"`
	To         *string `json:"last_rain"`
	Depth      float64 `json:"depth"`
	Peak       float64 `json:"peak_rate"`
	Class      string  `json:"class"`
	Antecedent float64 `json:"antecedent_depth"`
}

type rainPumpOut struct {
	Expected *float64 `json:"expected_cycles"`
	Cycles   int      `json:"cycles"`
	Silence  float64  `json:"chance_of_silence"`
	Learnt   int      `json:"storms_learnt"`
	// Learned is what stands behind the expectation.
	Learned learnedOut `json:"learned"`
}

// learnedOut is how the site answers rain, as far as it has shown.
type learnedOut struct {
	CyclesPerDepth rangeOut `json:"cycles_per_depth"`
	LagHours       float64  `json:"lag_hours"`
	SoilStore      float64  `json:"dry_ground_keeps"`
	CyclesPerDay   float64  `json:"dry_weather_cycles_per_day"`
	UsualFactor    float64  `json:"usually_off_by_factor"`
	Unconnected    float64  `json:"chance_rain_does_not_reach"`
	Held           bool     `json:"silence_held_back"`
}

type designOut struct {
	From        string    `json:"from"`
	Depth       float64   `json:"depth"`
	Hours       float64   `json:"hours"`
	Cycles      *float64  `json:"expected_cycles"`
	MostPerHour *float64  `json:"most_cycles_per_hour"`
	Margin      *rangeOut `json:"margin"`
}

func showLearned(l water.Learned, convert func(float64) float64) learnedOut {
	per := func(v float64) *float64 { return finite(v / convert(1)) }
	return learnedOut{
		CyclesPerDepth: rangeOut{Value: per(l.CyclesPerMm), Low: per(l.Low), High: per(l.High)},
		LagHours:       l.LagHours, SoilStore: convert(l.SoilStoreMm), CyclesPerDay: l.CyclesPerDay,
		UsualFactor: l.UsualFactor, Unconnected: l.Unconnected, Held: l.Held,
	}
}

func showDesign(d *outlook.DesignStorm, convert func(float64) float64) *designOut {
	if d == nil {
		return nil
	}
	out := &designOut{From: "default", Depth: convert(d.DepthMm), Hours: d.Hours, Cycles: finite(d.Cycles), MostPerHour: finite(d.MostPerHour)}
	if d.FromFile {
		out.From = "property-file"
	}
	if d.Margin != nil {
		out.Margin = showRange(*d.Margin, asIs)
	}
	return out
}

type rainAheadOut struct {
	Forecast    string    `json:"forecast"`
	From        *string   `json:"from"`
	To          *string   `json:"to"`
	Depth       float64   `json:"depth"`
	Peak        float64   `json:"peak_rate"`
	Class       string    `json:"class"`
	Cycles      *float64  `json:"expected_cycles"`
	MostPerHour *float64  `json:"most_cycles_per_hour"`
	Margin      *rangeOut `json:"margin"`
}

func showRain(r outlook.Rain, system site.UnitSystem) rainOut {
	out := rainOut{From: firstWord(r.From, "unknown"), Point: r.Point, DryHours: r.DryGap, DepthUnit: "mm", RateUnit: "mm/h", AheadReason: r.AheadReason,
		ClassMeaning: "Of the peak rate, by the AMS Glossary and FMH-1: light to 0.10 in/h (2.54 mm/h), moderate to 0.30 in/h (7.62 mm/h), heavy above."}
	convert := asIs
	if system == site.US {
		out.DepthUnit, out.RateUnit, convert = "in", "in/h", inUnit(units.Depth, "in")
	}
	if st := r.Storm; st != nil {
		p := outlook.Pump{Storm: st}
		out.Storm = &rainStormOut{From: stamp(p.StormFrom()), To: stamp(p.StormTo()), Depth: convert(st.DepthMm), Peak: convert(st.PeakMmPerHour),
			Class: st.Class().String(), Antecedent: convert(st.AntecedentMm)}
	}
	if r.Pumped {
		out.Pump = &rainPumpOut{Cycles: r.Cycles, Silence: r.SilenceChance, Learnt: r.Learned.Storms, Learned: showLearned(r.Learned, convert)}
		out.Design = showDesign(r.Design, convert)
		if r.Storm != nil {
			out.Pump.Expected = finite(r.ExpectedCycles)
		}
	}
	if a := r.Ahead; a != nil {
		out.Ahead = &rainAheadOut{Forecast: a.Source, From: stamp(a.From), To: stamp(a.To), Depth: convert(a.DepthMm), Peak: convert(a.PeakMmPerHour),
			Class: a.Class().String()}
		if r.Pumped {
			out.Ahead.Cycles, out.Ahead.MostPerHour = finite(a.Cycles), finite(a.MostPerHour)
		}
		if a.Margin != nil {
			out.Ahead.Margin = showRange(*a.Margin, asIs)
		}
	}
	return out
}

func firstWord(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
