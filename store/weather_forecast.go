package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"underkeep/alerting/outlook"
)

// ForecastCell is a cell of the forecast grid that is due to be asked for.
type ForecastCell struct {
	Grid       string
	Validators Validators
	Failures   int
}

// ClaimForecast takes a cell that is due and stands for at least one property.
func (s *Store) ClaimForecast(ctx context.Context, now time.Time) (c ForecastCell, ok bool, err error) {
	err = s.api.QueryRow(ctx, `UPDATE weather_forecast w SET poll_at = $2
		FROM (SELECT grid FROM weather_forecast d WHERE poll_at <= $1 AND EXISTS (SELECT FROM weather_place p WHERE p.grid = d.grid)
			ORDER BY poll_at LIMIT 1 FOR UPDATE SKIP LOCKED) due
		WHERE w.grid = due.grid RETURNING w.grid, w.etag, w.last_modified, w.failures`, now, now.Add(claimFor)).
		Scan(&c.Grid, &c.Validators.ETag, &c.Validators.LastModified, &c.Failures)
	if isNoRows(err) {
		return ForecastCell{}, false, nil
	}
	if err != nil {
		return ForecastCell{}, false, fmt.Errorf("claim a forecast: %w", err)
	}
	return c, true, nil
}

// ForecastAnswered stores a forecast; nil hours keep the one that is stored.
func (s *Store) ForecastAnswered(ctx context.Context, grid string, v Validators, hours []outlook.ForecastHour, updated, now, askAgain time.Time) error {
	var document any
	if hours != nil {
		rows := make([][4]*float64, len(hours))
		for i, h := range hours {
			at := float64(h.At.Unix())
			rows[i] = [4]*float64{&at, finiteOrNull(h.TempC), finiteOrNull(h.DewC), finiteOrNull(h.RainMM)}
		}
		text, err := json.Marshal(rows)
		if err != nil {
			return fmt.Errorf("forecast of %s: %w", grid, err)
		}
		document = string(text)
	}
	_, err := s.api.Exec(ctx, `UPDATE weather_forecast SET etag = $2, last_modified = $3, hours = coalesce($4::jsonb, hours),
			updated_at = CASE WHEN $4::jsonb IS NULL THEN updated_at ELSE $5 END, answered_at = $6, poll_at = $7, failures = 0, failure = ''
		WHERE grid = $1`, grid, v.ETag, v.LastModified, document, updated, now, askAgain)
	if err != nil {
		return fmt.Errorf("store forecast of %s: %w", grid, err)
	}
	return nil
}

// ForecastFailed notes that no forecast came.
func (s *Store) ForecastFailed(ctx context.Context, grid string, cause error, now, askAgain time.Time) error {
	_, err := s.api.Exec(ctx, `UPDATE weather_forecast SET failed_at = $2, failure = $3, failures = failures + 1, poll_at = $4 WHERE grid = $1`,
		grid, now, errorText(cause), askAgain)
	if err != nil {
		return fmt.Errorf("note that the forecast of %s failed: %w", grid, err)
	}
	return nil
}

// forecastHolds is how long after its last confirmation a forecast is used.
const forecastHolds = 24 * time.Hour

// forecastFor is the forecast at a property, nil where there is none that is still
// worth anything.
func (s *Store) forecastFor(ctx context.Context, num int32, now time.Time) (*outlook.Forecast, error) {
	var document []byte
	var grid string
	var updated time.Time
	err := s.api.QueryRow(ctx, `SELECT f.grid, f.hours, coalesce(f.updated_at, f.answered_at) FROM weather_place w JOIN weather_forecast f USING (grid)
		WHERE w.property_id = $1 AND f.hours IS NOT NULL AND f.answered_at > $2`, num, now.Add(-forecastHolds)).Scan(&grid, &document, &updated)
	if isNoRows(err) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("load forecast: %w", err)
	}
	var rows [][4]*float64
	if err := json.Unmarshal(document, &rows); err != nil {
		return nil, fmt.Errorf("load forecast of %s: %w", grid, err)
	}
	f := &outlook.Forecast{Source: "the weather service for cell " + grid + ", of " + updated.UTC().Format("2006-01-02 15:04 UTC")}
	for _, r := range rows {
		if r[0] != nil {
			f.Hours = append(f.Hours, outlook.ForecastHour{At: time.Unix(int64(*r[0]), 0).UTC(), TempC: orNaN(r[1]), DewC: orNaN(r[2]), RainMM: orNaN(r[3])})
		}
	}
	return f, nil
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
