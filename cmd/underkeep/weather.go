package main

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/ingest/weather"
	"underkeep/store"
)

// startWeather asks the weather service for what the properties need, where one
// is named. Without, and whenever it does not answer, the gauges are all there is.
func (s *service) startWeather(context.Context) error {
	if s.cfg.weatherURL == "" {
		return nil
	}
	client, err := weather.NewClient(weather.Options{URL: s.cfg.weatherURL, Contact: s.cfg.weatherContact})
	if err != nil {
		return err
	}
	s.reg.MustRegister(newWeatherCollector(s.store))
	p := weather.NewPoller(weather.PollerConfig{Client: client, Store: s.store, Door: s.door, Metrics: s.reg, Log: s.log.With("part", "weather")})
	s.background(p.Run)
	return nil
}

// weatherCollector tells how the weather service is heard, from the database, so
// that every instance says the same.
type weatherCollector struct {
	store                                      *store.Store
	stations, failing, places, without, oldest *prometheus.Desc
}

func newWeatherCollector(st *store.Store) *weatherCollector {
	desc := func(name, help string) *prometheus.Desc {
		return prometheus.NewDesc("underkeep_weather_"+name, help, nil, nil)
	}
	return &weatherCollector{store: st,
		stations: desc("stations", "Weather stations that stand for at least one property."),
		failing:  desc("stations_failing", "Those of them whose latest request failed."),
		places:   desc("places", "Properties with a location or a named station."),
		without:  desc("places_without_station", "Those of them for which no station was found."),
		oldest:   desc("oldest_answer_seconds", "Age of the oldest last answer of a station in use."),
	}
}

// Describe implements prometheus.Collector.
func (c *weatherCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.stations, c.failing, c.places, c.without, c.oldest} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *weatherCollector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	n, err := c.store.CountWeather(ctx)
	if err != nil {
		return // the database's own metric says that it does not answer
	}
	gauge := func(d *prometheus.Desc, v float64) { ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v) }
	gauge(c.stations, float64(n.Stations))
	gauge(c.failing, float64(n.StationsFailing))
	gauge(c.places, float64(n.Places))
	gauge(c.without, float64(n.PlacesWithout))
	if !n.OldestAnswer.IsZero() {
		gauge(c.oldest, time.Since(n.OldestAnswer).Seconds())
	}
}
