package weather

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/alerting/outlook"
	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/site"
)

// Door takes readings in; *ingest.Door is one.
type Door interface {
	DeliverOutside(ctx context.Context, o ingest.Outside) error
}

// PollerConfig of a Poller; Client, Store and Door are required.
type PollerConfig struct {
	Client  *Client
	Store   *store.Store
	Door    Door
	Metrics prometheus.Registerer // nil: not exported
	Log     *slog.Logger          // default slog.Default()
	Now     func() time.Time      // default time.Now
}

// How often the service is asked. Stations report once an hour and when the
// weather changes; an answer that says how long it holds is not asked for before.
const (
	stationEvery  = 10 * time.Minute
	forecastEvery = time.Hour
	lookEvery     = 7 * 24 * time.Hour
	firstRetry    = 2 * time.Minute
	lastRetry     = 2 * time.Hour
	// A station that has not been heard for this long gives way to the next nearest.
	givesWayAfter = 24 * time.Hour
	nearbyKept    = 5
	// Further away than this no station stands for a house (common practice, no
	// source: summer showers are some 10 km wide).
	farthestM     = 50_000
	keptFor       = 40 * 24 * time.Hour
	roundEvery    = 15 * time.Second
	syncEvery     = time.Minute
	resolveBehind = 30 * time.Hour
	backfillAfter = 12 * time.Hour
)

// Poller asks the weather service for what the properties need. Any number may
// run at once: each poll is claimed in the database.
type Poller struct {
	cfg    PollerConfig
	asked  *prometheus.CounterVec
	synced time.Time
	swept  time.Time
	// blocked until: the service has asked for patience
	blocked time.Time
}

// NewPoller makes a poller.
func NewPoller(cfg PollerConfig) *Poller {
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	p := &Poller{cfg: cfg, asked: prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "underkeep", Subsystem: "weather",
		Name: "answers_total", Help: "Answers of the weather service by what was asked and how it went."}, []string{"asked", "outcome"})}
	if cfg.Metrics != nil {
		cfg.Metrics.MustRegister(p.asked)
	}
	return p
}

// Run polls until ctx ends.
func (p *Poller) Run(ctx context.Context) {
	tick := time.NewTicker(roundEvery)
	defer tick.Stop()
	for {
		if err := p.Round(ctx); err != nil && ctx.Err() == nil {
			p.cfg.Log.Error("weather", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Round does everything that is due now. Failures of the weather service are noted
// with what they concern; an error is one of the database.
func (p *Poller) Round(ctx context.Context) error {
	now := p.cfg.Now()
	if now.Sub(p.synced) >= syncEvery {
		if _, err := p.cfg.Store.SyncWeatherPlaces(ctx); err != nil {
			return err
		}
		if n, err := p.cfg.Store.ReplaceSilentStations(ctx, now, now.Add(-givesWayAfter), farthestM); err != nil {
			return err
		} else if n > 0 {
			p.cfg.Log.Warn("silent weather stations gave way to the next nearest", "properties", n)
		}
		p.synced = now
	}
	if now.Sub(p.swept) >= 24*time.Hour {
		if err := p.cfg.Store.ForgetWeather(ctx, now.Add(-keptFor)); err != nil {
			return err
		}
		p.swept = now
	}
	for _, work := range []func(context.Context) (bool, error){p.lookUp, p.askStation, p.askForecast} {
		for more := true; more && ctx.Err() == nil && !p.cfg.Now().Before(p.blocked); {
			var err error
			if more, err = work(ctx); err != nil {
				return err
			}
		}
	}
	return p.handOver(ctx)
}

// outcome counts an answer and minds a request for patience.
func (p *Poller) outcome(asked string, notModified bool, err error) {
	how := "new"
	var wait *WaitError
	switch {
	case errors.As(err, &wait):
		how, p.blocked = "wait", p.cfg.Now().Add(wait.For)
	case err != nil:
		how = "failed"
	case notModified:
		how = "unchanged"
	}
	p.asked.WithLabelValues(asked, how).Inc()
}

// later is when to ask again after failures in a row, with jitter so that a fleet
// of services does not come back as one.
func later(now time.Time, failures int, err error) time.Time {
	pause := min(firstRetry<<min(failures, 10), lastRetry)
	pause = pause/2 + rand.N(pause)
	var wait *WaitError
	if errors.As(err, &wait) {
		pause = max(pause, wait.For)
	}
	return now.Add(pause)
}

func next(now time.Time, every, fresh time.Duration) time.Time {
	every += rand.N(every / 10)
	return now.Add(max(every, fresh))
}

// lookUp finds the stations near one property and its cell of the grid.
func (p *Poller) lookUp(ctx context.Context) (bool, error) {
	now := p.cfg.Now()
	place, ok, err := p.cfg.Store.ClaimWeatherPlace(ctx, now)
	if err != nil || !ok {
		return false, err
	}
	found, err := p.find(ctx, place)
	p.outcome("place", false, err)
	if ctx.Err() != nil {
		return false, nil // the claim runs out by itself
	}
	if err != nil {
		p.cfg.Log.Warn("no weather station found", "property", place.Property, "error", err)
		return true, p.cfg.Store.WeatherPlaceFailed(ctx, place, err, later(now, place.Failures, err))
	}
	return true, p.cfg.Store.SetWeatherPlace(ctx, place, found.nearby, found.station, found.grid, now, next(now, lookEvery, 0))
}

type found struct {
	nearby        []store.WeatherNearby
	station, grid string
}

func (p *Poller) find(ctx context.Context, place store.WeatherPlace) (found, error) {
	var out found
	var stations []Station
	if place.Located {
		grid, err := p.cfg.Client.Grid(ctx, place.Lat, place.Lon)
		if err != nil {
			return out, err
		}
		out.grid = grid.String()
		all, err := p.cfg.Client.StationsOf(ctx, grid)
		if err != nil {
			return out, err
		}
		stations = Nearest(all, place.Lat, place.Lon, nearbyKept)
	}
	if place.Named != "" {
		s, err := p.cfg.Client.Station(ctx, place.Named)
		if err != nil {
			return out, fmt.Errorf("station %s, named by the property file: %w", place.Named, err)
		}
		if s.ID != place.Named {
			return out, fmt.Errorf("station %s, named by the property file: %w", place.Named, ErrUnusable)
		}
		stations = append(stations, s)
		out.station = place.Named
	}
	for _, s := range stations {
		n := store.WeatherNearby{Station: s.ID, Name: s.Name, Lat: s.Lat, Lon: s.Lon, DistanceM: math.NaN()}
		if place.Located {
			n.DistanceM = DistanceM(place.Lat, place.Lon, s.Lat, s.Lon)
		}
		out.nearby = append(out.nearby, n)
	}
	if out.station != "" {
		return out, nil
	}
	return out, out.choose(place.Station)
}

// choose takes the nearest station; one that stands for the property already, and
// is still among the nearest, is kept: readings of two places are not mixed without
// need.
func (f *found) choose(present string) error {
	nearest := ""
	for _, n := range f.nearby {
		if n.DistanceM > farthestM {
			continue
		}
		if nearest == "" {
			nearest = n.Station
		}
		if n.Station == present {
			f.station = present
			return nil
		}
	}
	if f.station = nearest; nearest == "" {
		return fmt.Errorf("no station within %d km", farthestM/1000)
	}
	return nil
}

// askStation asks one station.
func (p *Poller) askStation(ctx context.Context) (bool, error) {
	now := p.cfg.Now()
	st, ok, err := p.cfg.Store.ClaimWeatherStation(ctx, now)
	if err != nil || !ok {
		return false, err
	}
	var since time.Time
	if !st.Newest.IsZero() && now.Sub(st.Newest) > backfillAfter {
		since = st.Newest.Add(-resolveBehind / 4) // what was missed meanwhile
	}
	o, err := p.cfg.Client.Observations(ctx, st.ID, Validators(st.Validators), since)
	p.outcome("station", o.NotModified, err)
	if ctx.Err() != nil {
		return false, nil
	}
	if err != nil {
		p.cfg.Log.Warn("weather station not heard", "station", st.ID, "error", err)
		return true, p.cfg.Store.StationFailed(ctx, st.ID, err, now, later(now, st.Failures, err))
	}
	readings, err := p.readings(ctx, st.ID, o.Observations, now)
	if err != nil {
		return false, err
	}
	if o.Problem != nil {
		p.cfg.Log.Warn("part of a weather station's answer cannot be used", "station", st.ID, "error", o.Problem)
	}
	return true, p.cfg.Store.StationAnswered(ctx, st.ID, store.Validators(o.Validators), readings, o.Problem, now, next(now, stationEvery, o.Fresh))
}

// readings are what observations add to what is stored of a station.
func (p *Poller) readings(ctx context.Context, station string, observations []Observation, now time.Time) ([]store.WeatherReading, error) {
	if len(observations) == 0 {
		return nil, nil
	}
	oldest := observations[0].At
	for _, o := range observations {
		if o.At.Before(oldest) {
			oldest = o.At
		}
	}
	known, err := p.cfg.Store.WeatherReadings(ctx, station, oldest.Add(-resolveBehind), now.Add(time.Hour))
	if err != nil {
		return nil, err
	}
	var stored []Interval
	for _, r := range known {
		if r.Quantity == site.Rain {
			stored = append(stored, Interval{From: r.From, To: r.At, MM: r.Value, Spread: r.Spread})
		}
	}
	var usable []Observation
	for _, o := range observations {
		if !o.At.After(now.Add(ingest.MaxAhead)) { // a station whose clock is off
			usable = append(usable, o)
		}
	}
	fresh, revised := Resolve(usable, stored)
	var out []store.WeatherReading
	for _, i := range append(fresh, revised...) {
		out = append(out, store.WeatherReading{Quantity: site.Rain, At: i.To, From: i.From, Value: micro(i.MM), Spread: i.Spread})
	}
	for _, o := range usable {
		if o.TempC != nil {
			out = append(out, store.WeatherReading{Quantity: site.AirTemp, At: o.At, Value: micro(*o.TempC)})
		}
		if o.RHPct != nil {
			out = append(out, store.WeatherReading{Quantity: site.RH, At: o.At, Value: micro(*o.RHPct)})
		}
	}
	return out, nil
}

// micro makes the same figure of what arithmetic left a hair apart.
func micro(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// askForecast asks for one cell.
func (p *Poller) askForecast(ctx context.Context) (bool, error) {
	now := p.cfg.Now()
	cell, ok, err := p.cfg.Store.ClaimForecast(ctx, now)
	if err != nil || !ok {
		return false, err
	}
	grid, err := ParseGrid(cell.Grid)
	if err != nil {
		return true, p.cfg.Store.ForecastFailed(ctx, cell.Grid, err, now, next(now, lookEvery, 0))
	}
	f, err := p.cfg.Client.Forecast(ctx, grid, Validators(cell.Validators))
	p.outcome("forecast", f.NotModified, err)
	if ctx.Err() != nil {
		return false, nil
	}
	if err != nil {
		p.cfg.Log.Warn("no forecast", "cell", cell.Grid, "error", err)
		return true, p.cfg.Store.ForecastFailed(ctx, cell.Grid, err, now, later(now, cell.Failures, err))
	}
	var hours []outlook.ForecastHour
	for _, h := range f.Forecast.Hours {
		hours = append(hours, outlook.ForecastHour{At: h.At, TempC: h.TempC, DewC: h.DewC, RainMM: h.RainMM})
	}
	return true, p.cfg.Store.ForecastAnswered(ctx, cell.Grid, store.Validators(f.Validators), hours, f.Forecast.UpdatedAt, now, next(now, forecastEvery, f.Fresh))
}

// handOver gives every property what its station has reported since.
func (p *Poller) handOver(ctx context.Context) error {
	for after := int32(0); ; {
		h, ok, err := p.cfg.Store.WeatherToHandOver(ctx, after)
		if err != nil || !ok {
			return err
		}
		if err := p.give(ctx, h); err != nil {
			return fmt.Errorf("hand the weather of %s over to %s: %w", h.Station, h.Property, err)
		}
		if after = h.Num - 1; len(h.Readings) < 1000 { // more of the same waits where it was full
			after = h.Num
		}
	}
}

func (p *Poller) give(ctx context.Context, h store.WeatherHandover) error {
	if err := p.cfg.Store.EnsureSource(ctx, h.Property, store.WeatherSource, store.StationPoint, store.StationQuantities...); err != nil {
		return err
	}
	reg, ok := p.cfg.Store.Registry().Property(h.Property)
	if !ok {
		return nil
	}
	o := ingest.Outside{Property: h.Property, Source: store.WeatherSource, Received: p.cfg.Now().UTC()}
	for _, r := range h.Readings {
		if r.At.Before(reg.AcceptsFrom) || r.Quantity == site.Rain && r.From.Before(reg.AcceptsFrom) {
			continue // of a time when nobody watched this house
		}
		o.Readings = append(o.Readings, store.Reading{Point: store.StationPoint, Quantity: r.Quantity, At: r.At, Value: r.Value})
	}
	if err := p.cfg.Door.DeliverOutside(ctx, o); err != nil {
		return err
	}
	return p.cfg.Store.WeatherHandedOver(ctx, h)
}
