package store

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// WeatherStatus is where a property's weather comes from and how that goes.
type WeatherStatus struct {
	HasGauge  bool // the property's own gauge is what counts; the station checks it
	Looked    bool // stations were looked up
	LookError string
	Stations  []WeatherStationStatus // nearest first
	Grid      string
	Forecast  WeatherAnswer
	UpdatedAt time.Time // of the forecast, by the service
	RainMM    *float64  // that the station reported in the last 24 h; nil: no rain reading
}

// WeatherAnswer is how asking has gone.
type WeatherAnswer struct {
	AnsweredAt time.Time // last answer that could be used; zero: never
	FailedAt   time.Time
	Failure    string // of the latest attempt; "" when it went well
}

// WeatherStationStatus is one station near a property.
type WeatherStationStatus struct {
	WeatherNearby
	Used       bool
	Named      bool // by the property file
	NewestAt   time.Time
	NewestRain time.Time     // end of the latest interval with known rain
	Gap        time.Duration // longest time without known rain in the last 24 h; only of the one used
	WeatherAnswer
}

// WeatherStatus of a property; ErrNotFound when it does not exist or is out of
// scope.
func (s *Store) WeatherStatus(ctx context.Context, scope Scope, id string, now time.Time) (w WeatherStatus, err error) {
	reg, ok := s.Registered(ctx, id)
	if !ok || !scope.Sees(id) {
		return WeatherStatus{}, notFound("property %s", id)
	}
	desc, err := reg.Current()
	if err != nil {
		return WeatherStatus{}, err
	}
	for _, p := range desc.Points {
		w.HasGauge = w.HasGauge || p.Has(site.Rain)
	}
	err = withTx(ctx, s.api, pgx.TxOptions{AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if err := w.load(ctx, tx, reg.Num); err != nil {
			return err
		}
		return w.loadStations(ctx, tx, reg.Num, now)
	})
	if err != nil {
		return WeatherStatus{}, fmt.Errorf("weather of %s: %w", id, err)
	}
	return w, nil
}

func (w *WeatherStatus) load(ctx context.Context, tx pgx.Tx, num int32) error {
	var looked, updated, answered, failed *time.Time
	err := tx.QueryRow(ctx, `SELECT w.looked_at, w.failure, coalesce(w.grid, ''), f.updated_at, f.answered_at, f.failed_at, coalesce(f.failure, '')
		FROM weather_place w LEFT JOIN weather_forecast f USING (grid) WHERE w.property_id = $1`, num).
		Scan(&looked, &w.LookError, &w.Grid, &updated, &answered, &failed, &w.Forecast.Failure)
	if isNoRows(err) {
		return nil
	}
	w.Looked, w.UpdatedAt = looked != nil, instant(updated)
	w.Forecast.AnsweredAt, w.Forecast.FailedAt = instant(answered), instant(failed)
	return err
}

func (w *WeatherStatus) loadStations(ctx context.Context, tx pgx.Tx, num int32, now time.Time) error {
	rows, err := tx.Query(ctx, `SELECT st.station_id, st.name, st.lat, st.lon, coalesce(n.distance_m, p.distance_m, 'NaN'),
			st.station_id IS NOT DISTINCT FROM p.station_id, p.named = st.station_id,
			(SELECT max(at) FROM weather_observation o WHERE o.station_id = st.station_id),
			(SELECT max(at) FROM weather_observation o WHERE o.station_id = st.station_id AND o.quantity = $2),
			st.answered_at, st.failed_at, st.failure
		FROM weather_place p LEFT JOIN weather_nearby n USING (property_id)
		JOIN weather_station st ON st.station_id = n.station_id OR st.station_id = p.station_id
		WHERE p.property_id = $1 ORDER BY coalesce(n.distance_m, 0), st.station_id`, num, int16(site.Rain))
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	_, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (struct{}, error) {
		var st WeatherStationStatus
		var newest, rain, answered, failed *time.Time
		err := r.Scan(&st.Station, &st.Name, &st.Lat, &st.Lon, &st.DistanceM, &st.Used, &st.Named, &newest, &rain, &answered, &failed, &st.Failure)
		st.NewestAt, st.NewestRain, st.AnsweredAt, st.FailedAt = instant(newest), instant(rain), instant(answered), instant(failed)
		if !seen[st.Station] {
			seen[st.Station] = true
			w.Stations = append(w.Stations, st)
		}
		return struct{}{}, err
	})
	if err != nil {
		return err
	}
	for i := range w.Stations {
		if w.Stations[i].Used {
			return w.loadRain(ctx, tx, &w.Stations[i], now)
		}
	}
	return nil
}

// loadRain sums the last 24 h and finds the longest time of them that no interval
// covers.
func (w *WeatherStatus) loadRain(ctx context.Context, tx pgx.Tx, st *WeatherStationStatus, now time.Time) error {
	from := now.Add(-24 * time.Hour)
	rows, err := tx.Query(ctx, `SELECT DISTINCT ON (at) coalesce(from_at, at), at, value FROM weather_observation
		WHERE station_id = $1 AND quantity = $2 AND at > $3 AND at <= $4 ORDER BY at, seq`, st.Station, int16(site.Rain), from, now)
	if err != nil {
		return err
	}
	var begin, end time.Time
	var mm, sum float64
	at, n := from, 0
	_, err = pgx.ForEachRow(rows, []any{&begin, &end, &mm}, func() error {
		st.Gap = max(st.Gap, begin.Sub(at))
		at, sum, n = end, sum+mm, n+1
		return nil
	})
	st.Gap = max(st.Gap, now.Sub(at)).Round(time.Minute)
	if n > 0 && !math.IsNaN(sum) {
		w.RainMM = &sum
	}
	return err
}

// WeatherCounts sums the service's weather up for metrics.
type WeatherCounts struct {
	Stations, StationsFailing int       // that stand for properties; whose latest attempt failed
	Places, PlacesWithout     int       // properties with a location; those without a station
	OldestAnswer              time.Time // of a station in use; zero: none has ever answered
}

// CountWeather over the whole fleet.
func (s *Store) CountWeather(ctx context.Context) (c WeatherCounts, err error) {
	var oldest *time.Time
	err = s.api.QueryRow(ctx, `SELECT count(DISTINCT st.station_id), count(DISTINCT st.station_id) FILTER (WHERE st.failures > 0),
			count(*), count(*) FILTER (WHERE st.station_id IS NULL), min(st.answered_at)
		FROM weather_place p LEFT JOIN weather_station st USING (station_id)`).
		Scan(&c.Stations, &c.StationsFailing, &c.Places, &c.PlacesWithout, &oldest)
	if err != nil {
		return c, fmt.Errorf("count weather stations: %w", err)
	}
	c.OldestAnswer = instant(oldest)
	return c, nil
}
