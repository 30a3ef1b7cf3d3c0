package store

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
)

// sectionLoaders of every aggregate that is sealed along, beside readings and
// alarms. Persons are left out of their lines, and so is what they wrote.
var sectionLoaders = []sectionLoader{sealVisits, sealSensorChecks, sealPumpTests}

// sectionLines runs a query whose first columns are property and time of
// recording; line puts the others into words.
func sectionLines(ctx context.Context, tx pgx.Tx, section, sql string, properties []int32, from, to time.Time, dest []any, line func() string) ([]sectionLine, error) {
	rows, err := tx.Query(ctx, sql, properties, from, to)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", section, err)
	}
	var out []sectionLine
	l := sectionLine{section: section}
	_, err = pgx.ForEachRow(rows, append([]any{&l.property, &l.at}, dest...), func() error {
		l.line = l.at.UTC().Format(time.RFC3339) + " " + line()
		out = append(out, l)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", section, err)
	}
	return out, nil
}

func sealVisits(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	var no int
	var kind, of string
	return sectionLines(ctx, tx, "visits", `SELECT j.property_id, j.at, j.visit_no, j.kind, v.kind FROM visit_journal j JOIN visit v USING (property_id, visit_no)
		WHERE j.property_id = ANY($1) AND j.at >= $2 AND j.at < $3 ORDER BY j.property_id, j.at, j.entry_id`, properties, from, to,
		[]any{&no, &kind, &of}, func() string { return fmt.Sprintf("visit %d %s %s", no, of, kind) })
}

func sealSensorChecks(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	var no int
	var at time.Time
	var point, salt string
	var temp, read, expected, offset, standard float64
	var withdrawn bool
	// A withdrawal is sealed with the day on which it was made.
	return sectionLines(ctx, tx, "sensor-checks", `SELECT property_id, said_at, check_no, at, point, salt, temp_c, read_pct, expected_pct, offset_pct, offset_standard_pct, withdrawn
		FROM (SELECT *, recorded_at AS said_at, false AS withdrawn FROM sensor_check
			UNION ALL SELECT *, withdrawn_at, true FROM sensor_check WHERE withdrawn_at IS NOT NULL) c
		WHERE property_id = ANY($1) AND said_at >= $2 AND said_at < $3 ORDER BY property_id, said_at, check_no, withdrawn`, properties, from, to,
		[]any{&no, &at, &point, &salt, &temp, &read, &expected, &offset, &standard, &withdrawn}, func() string {
			if withdrawn {
				return fmt.Sprintf("check %d withdrawn", no)
			}
			return fmt.Sprintf("check %d at %s point %s salt %s temp %s Cel read %s %%RH expected %s %%RH offset %s standard-uncertainty %s", no,
				at.UTC().Format(time.RFC3339), point, salt, shortest(temp), shortest(read), shortest(expected), shortest(offset), shortest(standard))
		})
}

func sealPumpTests(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	var no int
	var at time.Time
	var pump, method string
	var ran, withdrawn bool
	var poured, drawDown float64
	return sectionLines(ctx, tx, "pump-tests", `SELECT property_id, said_at, test_no, at, pump, method, ran, coalesce(poured_l, 0), coalesce(draw_down_s, 0), withdrawn
		FROM (SELECT *, recorded_at AS said_at, false AS withdrawn FROM pump_test
			UNION ALL SELECT *, withdrawn_at, true FROM pump_test WHERE withdrawn_at IS NOT NULL) c
		WHERE property_id = ANY($1) AND said_at >= $2 AND said_at < $3 ORDER BY property_id, said_at, test_no, withdrawn`, properties, from, to,
		[]any{&no, &at, &pump, &method, &ran, &poured, &drawDown, &withdrawn}, func() string {
			if withdrawn {
				return fmt.Sprintf("test %d withdrawn", no)
			}
			line := fmt.Sprintf("test %d at %s pump %s method %s ran %t", no, at.UTC().Format(time.RFC3339), pump, method, ran)
			if poured > 0 {
				line += fmt.Sprintf(" poured %s L draw-down %s s", shortest(poured), shortest(drawDown))
			}
			return line
		})
}

func shortest(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
