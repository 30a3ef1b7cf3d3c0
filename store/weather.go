package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// StationQuantities are what a weather station measures for a property.
var StationQuantities = []site.Quantity{site.Rain, site.AirTemp, site.RH}

// claimFor is how long a claimed poll is left to whoever claimed it; after a crash
// another takes it over then.
const claimFor = 5 * time.Minute

// WeatherPlace is a property that wants its stations looked up.
type WeatherPlace struct {
	Property string
	Num      int32
	Located  bool
	Lat, Lon float64
	Named    string // station that the property file names; "" for the nearest
	Station  string // that stands for it at present; "" for none
	Failures int
}

// WeatherNearby is a weather station with its distance from a property.
type WeatherNearby struct {
	Station   string
	Name      string
	Lat, Lon  float64
	DistanceM float64 // NaN where the property has no location
}

// Validators of an HTTP answer.
type Validators struct{ ETag, LastModified string }

// WeatherStation that is due to be asked.
type WeatherStation struct {
	ID         string
	Validators Validators
	Newest     time.Time // end of the newest observation that is stored; zero: none
	Failures   int
}

// WeatherReading is one reading of a station.
type WeatherReading struct {
	Quantity site.Quantity
	At       time.Time
	From     time.Time // of rain: begin of the interval that ends at At
	Value    float64
	Spread   bool
	Seq      int64 // by the store
}

// SyncWeatherPlaces brings the list of places in line with the property files: a
// property with a location or a named station has one. It returns how many changed.
func (s *Store) SyncWeatherPlaces(ctx context.Context) (int, error) {
	var nums []int32
	var lats, lons []*float64
	var named []string
	s.Registry().Each(func(p *Registered) bool {
		d, err := p.Current()
		if err != nil || d.Location == nil && d.WeatherStation == "" {
			return true
		}
		nums, named = append(nums, p.Num), append(named, d.WeatherStation)
		if d.Location == nil {
			lats, lons = append(lats, nil), append(lons, nil)
		} else {
			lats, lons = append(lats, &d.Location.Lat), append(lons, &d.Location.Lon)
		}
		return true
	})
	n := 0
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `INSERT INTO weather_place AS w (property_id, lat, lon, named)
			SELECT * FROM unnest($1::int4[], $2::float8[], $3::float8[], $4::text[])
			ON CONFLICT (property_id) DO UPDATE SET lat = excluded.lat, lon = excluded.lon, named = excluded.named, look_at = '-infinity', failures = 0
			WHERE (w.lat, w.lon, w.named) IS DISTINCT FROM (excluded.lat, excluded.lon, excluded.named)`, nums, lats, lons, named)
		if err != nil {
			return err
		}
		gone, err := tx.Exec(ctx, `DELETE FROM weather_place WHERE NOT property_id = ANY($1)`, nums)
		n = int(tag.RowsAffected() + gone.RowsAffected())
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("list the places that have a weather: %w", err)
	}
	return n, nil
}

// ClaimWeatherPlace takes a place that is due to be looked up; ok is false when
// none is. Another claims it again if neither SetWeatherPlace nor
// WeatherPlaceFailed follows within five minutes.
func (s *Store) ClaimWeatherPlace(ctx context.Context, now time.Time) (p WeatherPlace, ok bool, err error) {
	var lat, lon *float64
	err = s.api.QueryRow(ctx, `UPDATE weather_place w SET look_at = $2
		FROM (SELECT property_id FROM weather_place WHERE look_at <= $1 ORDER BY look_at LIMIT 1 FOR UPDATE SKIP LOCKED) due
		JOIN property p USING (property_id)
		WHERE w.property_id = due.property_id
		RETURNING p.name, w.property_id, w.lat, w.lon, w.named, coalesce(w.station_id, ''), w.failures`, now, now.Add(claimFor)).
		Scan(&p.Property, &p.Num, &lat, &lon, &p.Named, &p.Station, &p.Failures)
	if isNoRows(err) {
		return WeatherPlace{}, false, nil
	}
	if err != nil {
		return WeatherPlace{}, false, fmt.Errorf("claim a place: %w", err)
	}
	if lat != nil {
		p.Located, p.Lat, p.Lon = true, *lat, *lon
	}
	return p, true, nil
}

// SetWeatherPlace notes what was found: the stations nearby, the one of them that
// stands for the property, and the cell of the forecast grid ("" for none). Another
// station begins with what it reports from then on.
func (s *Store) SetWeatherPlace(ctx context.Context, p WeatherPlace, nearby []WeatherNearby, station, grid string, now, lookAgain time.Time) error {
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		var distance *float64
		for _, n := range nearby {
			if _, err := tx.Exec(ctx, `INSERT INTO weather_station (station_id, name, lat, lon) VALUES ($1, $2, $3, $4)
				ON CONFLICT (station_id) DO UPDATE SET name = excluded.name, lat = excluded.lat, lon = excluded.lon`,
				n.Station, cutText(n.Name, 120), n.Lat, n.Lon); err != nil {
				return err
			}
			if n.Station == station {
				distance = finiteOrNull(n.DistanceM)
			}
		}
		if _, err := tx.Exec(ctx, `DELETE FROM weather_nearby WHERE property_id = $1`, p.Num); err != nil {
			return err
		}
		for _, n := range nearby {
			if d := finiteOrNull(n.DistanceM); d != nil {
				if _, err := tx.Exec(ctx, `INSERT INTO weather_nearby (property_id, station_id, distance_m) VALUES ($1, $2, $3)
					ON CONFLICT DO NOTHING`, p.Num, n.Station, *d); err != nil {
					return err
				}
			}
		}
		if grid != "" {
			if _, err := tx.Exec(ctx, `INSERT INTO weather_forecast (grid) VALUES ($1) ON CONFLICT DO NOTHING`, grid); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `UPDATE weather_place SET station_id = $2, distance_m = $3, grid = $4, looked_at = $5, look_at = $6, failure = '', failures = 0,
				handed_seq = CASE WHEN station_id IS DISTINCT FROM $2 AND station_id IS NOT NULL
					THEN coalesce((SELECT max(seq) FROM weather_observation WHERE station_id = $2), 0) ELSE handed_seq END
			WHERE property_id = $1`, p.Num, station, distance, nullText(grid), now, lookAgain)
		return err
	})
	if err != nil {
		return fmt.Errorf("note the weather station of %s: %w", p.Property, err)
	}
	return nil
}

// WeatherPlaceFailed notes why nothing was found.
func (s *Store) WeatherPlaceFailed(ctx context.Context, p WeatherPlace, cause error, lookAgain time.Time) error {
	_, err := s.api.Exec(ctx, `UPDATE weather_place SET failure = $2, failures = failures + 1, look_at = $3 WHERE property_id = $1`,
		p.Num, cutText(cause.Error(), 500), lookAgain)
	if err != nil {
		return fmt.Errorf("note that no weather station was found for %s: %w", p.Property, err)
	}
	return nil
}

// ClaimWeatherStation takes a station that is due to be asked and stands for at
// least one property.
func (s *Store) ClaimWeatherStation(ctx context.Context, now time.Time) (w WeatherStation, ok bool, err error) {
	var newest *time.Time
	err = s.api.QueryRow(ctx, `UPDATE weather_station w SET poll_at = $2
		FROM (SELECT station_id FROM weather_station d WHERE poll_at <= $1
				AND EXISTS (SELECT FROM weather_place p WHERE p.station_id = d.station_id)
			ORDER BY poll_at LIMIT 1 FOR UPDATE SKIP LOCKED) due
		WHERE w.station_id = due.station_id
		RETURNING w.station_id, w.etag, w.last_modified, w.failures,
			(SELECT max(at) FROM weather_observation o WHERE o.station_id = w.station_id)`, now, now.Add(claimFor)).
		Scan(&w.ID, &w.Validators.ETag, &w.Validators.LastModified, &w.Failures, &newest)
	if isNoRows(err) {
		return WeatherStation{}, false, nil
	}
	if err != nil {
		return WeatherStation{}, false, fmt.Errorf("claim a weather station: %w", err)
	}
	w.Newest = instant(newest)
	return w, true, nil
}

// WeatherReadings of a station with a time in (from, to], oldest first; of several
// values for one time the first that was stored.
func (s *Store) WeatherReadings(ctx context.Context, station string, from, to time.Time) ([]WeatherReading, error) {
	rows, err := s.api.Query(ctx, `SELECT DISTINCT ON (at, quantity) quantity, at, coalesce(from_at, at), value, spread, seq
		FROM weather_observation WHERE station_id = $1 AND at > $2 AND at <= $3 ORDER BY at, quantity, seq`, station, from, to)
	if err != nil {
		return nil, fmt.Errorf("readings of weather station %s: %w", station, err)
	}
	return pgx.CollectRows(rows, scanWeatherReading)
}

func scanWeatherReading(row pgx.CollectableRow) (r WeatherReading, err error) {
	var q int16
	err = row.Scan(&q, &r.At, &r.From, &r.Value, &r.Spread, &r.Seq)
	r.Quantity, r.At, r.From = site.Quantity(q), r.At.UTC(), r.From.UTC()
	return r, err
}

// StationAnswered notes an answer with what is new in it, and when to ask again.
// Readings that are stored already are left out. problem is of a part of the
// answer; nil when all of it was good.
func (s *Store) StationAnswered(ctx context.Context, station string, v Validators, readings []WeatherReading, problem error, now, askAgain time.Time) error {
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		var b pgx.Batch
		for _, r := range readings {
			var from any
			if r.Quantity == site.Rain {
				from = r.From
			}
			b.Queue(`INSERT INTO weather_observation (station_id, quantity, at, value, from_at, spread) VALUES ($1, $2, $3, $4, $5, $6)
				ON CONFLICT DO NOTHING`, station, int16(r.Quantity), r.At, r.Value, from, r.Spread)
		}
		b.Queue(`UPDATE weather_station SET etag = $2, last_modified = $3, answered_at = $4, poll_at = $5, failures = 0, failure = $6,
			failed_at = CASE WHEN $6 = '' THEN failed_at ELSE $4 END WHERE station_id = $1`,
			station, v.ETag, v.LastModified, now, askAgain, errorText(problem))
		return tx.SendBatch(ctx, &b).Close()
	})
	if err != nil {
		return fmt.Errorf("store what weather station %s said: %w", station, err)
	}
	return nil
}

func errorText(err error) string {
	if err == nil {
		return ""
	}
	return cutText(err.Error(), 500)
}

// StationFailed notes that a station gave no answer that could be used.
func (s *Store) StationFailed(ctx context.Context, station string, cause error, now, askAgain time.Time) error {
	_, err := s.api.Exec(ctx, `UPDATE weather_station SET failed_at = $2, failure = $3, failures = failures + 1, poll_at = $4 WHERE station_id = $1`,
		station, now, errorText(cause), askAgain)
	if err != nil {
		return fmt.Errorf("note that weather station %s failed: %w", station, err)
	}
	return nil
}

// ReplaceSilentStations lets the next nearest station, at most so many metres away,
// stand for properties whose own has reported nothing since a time although the
// service answers. One that the property file names stays.
func (s *Store) ReplaceSilentStations(ctx context.Context, now, since time.Time, farthestM float64) (int, error) {
	tag, err := s.api.Exec(ctx, `WITH silent AS (
			SELECT w.property_id, w.station_id, coalesce(w.distance_m, 0) AS distance FROM weather_place w JOIN weather_station st USING (station_id)
			WHERE w.named = '' AND w.looked_at < $1 AND st.answered_at > $1 AND st.failures = 0
				AND NOT EXISTS (SELECT FROM weather_observation o WHERE o.station_id = w.station_id AND o.at >= $1)
		), heir AS (
			SELECT DISTINCT ON (property_id) property_id, n.station_id, n.distance_m FROM silent s JOIN weather_nearby n USING (property_id)
			WHERE n.station_id <> s.station_id AND n.distance_m <= $2
			ORDER BY property_id, n.distance_m <= s.distance, n.distance_m
		)
		UPDATE weather_place w SET station_id = h.station_id, distance_m = h.distance_m, looked_at = $3,
			handed_seq = coalesce((SELECT max(seq) FROM weather_observation o WHERE o.station_id = h.station_id), 0)
		FROM heir h WHERE w.property_id = h.property_id`, since, farthestM, now)
	if err != nil {
		return 0, fmt.Errorf("replace silent weather stations: %w", err)
	}
	return int(tag.RowsAffected()), nil
}

// ForgetWeather drops what stations reported before a time.
func (s *Store) ForgetWeather(ctx context.Context, before time.Time) error {
	_, err := s.api.Exec(ctx, `DELETE FROM weather_observation WHERE at < $1`, before)
	if err != nil {
		return fmt.Errorf("forget old weather: %w", err)
	}
	return nil
}

// WeatherHandover is what a property has not been given yet.
type WeatherHandover struct {
	Property string
	Num      int32
	Station  string
	Readings []WeatherReading // by rising Seq
}

// maxHandover bounds the readings of one handover.
const maxHandover = 1000

// WeatherToHandOver finds a property whose station has reported something that is
// not among its readings yet, behind the property with the number after.
func (s *Store) WeatherToHandOver(ctx context.Context, after int32) (h WeatherHandover, ok bool, err error) {
	var from int64
	err = s.api.QueryRow(ctx, `SELECT p.name, w.property_id, w.station_id, w.handed_seq FROM weather_place w JOIN property p USING (property_id)
		WHERE w.property_id > $1 AND EXISTS (SELECT FROM weather_observation o WHERE o.station_id = w.station_id AND o.seq > w.handed_seq)
		ORDER BY w.property_id LIMIT 1`, after).Scan(&h.Property, &h.Num, &h.Station, &from)
	if isNoRows(err) {
		return WeatherHandover{}, false, nil
	}
	if err != nil {
		return WeatherHandover{}, false, fmt.Errorf("look for weather to hand over: %w", err)
	}
	rows, err := s.api.Query(ctx, `SELECT quantity, at, coalesce(from_at, at), value, spread, seq FROM weather_observation
		WHERE station_id = $1 AND seq > $2 ORDER BY seq LIMIT $3`, h.Station, from, maxHandover)
	if err == nil {
		h.Readings, err = pgx.CollectRows(rows, scanWeatherReading)
	}
	if err != nil {
		return WeatherHandover{}, false, fmt.Errorf("weather for %s: %w", h.Property, err)
	}
	return h, len(h.Readings) > 0, nil
}

// WeatherHandedOver notes that all of it is stored as readings of the property.
func (s *Store) WeatherHandedOver(ctx context.Context, h WeatherHandover) error {
	_, err := s.api.Exec(ctx, `UPDATE weather_place SET handed_seq = greatest(handed_seq, $3) WHERE property_id = $1 AND station_id = $2`,
		h.Num, h.Station, h.Readings[len(h.Readings)-1].Seq)
	if err != nil {
		return fmt.Errorf("note the weather handed over to %s: %w", h.Property, err)
	}
	return nil
}
