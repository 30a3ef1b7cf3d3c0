package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/visit"
)

// What a verdict rests on beside the readings is sealed with the day on which it
// was recorded, a line of JSON each, without names of persons.
func init() {
	sectionLoaders = append(sectionLoaders, sealVerdictVisits, sealVerdictChecks, sealVerdictOutages, sealVerdictTerms)
}

func jsonLine(property int32, at time.Time, section string, what any) (sectionLine, error) {
	b, err := json.Marshal(what)
	return sectionLine{property, at, section, string(b)}, err
}

// sealedVisit is a visit that was signed off.
type sealedVisit struct {
	ID   string    `json:"id"`
	Kind string    `json:"kind"`
	By   string    `json:"by"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Work []string  `json:"work,omitempty"`
}

func sealVerdictVisits(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	return collect(ctx, tx, "visits", func(r pgx.CollectableRow) (sectionLine, error) {
		var num, no int32
		var name string
		var v sealedVisit
		var works []string
		if err := r.Scan(&num, &name, &no, &v.Kind, &v.From, &v.To, &works); err != nil {
			return sectionLine{}, err
		}
		v.ID, v.By, v.From, v.To = visit.ID(name, no), "company", v.From.UTC(), v.To.UTC()
		v.Work = visit.Parts(works)
		return jsonLine(num, v.To, "verdict-visits", v)
	}, `SELECT v.property_id, p.name, v.visit_no, v.kind, v.started_at, v.ended_at, v.work FROM visit v JOIN property p USING (property_id)
		WHERE v.property_id = ANY($1) AND v.state = 'done' AND v.ended_at >= $2 AND v.ended_at < $3 ORDER BY v.property_id, v.ended_at, v.visit_no`,
		properties, from, to)
}

type sealedCheck struct {
	ID                string    `json:"id"`
	At                time.Time `json:"at"`
	RecordedAt        time.Time `json:"recorded_at"`
	Point             string    `json:"point"`
	Serial            string    `json:"serial,omitempty"`
	Salt              string    `json:"salt"`
	TempC             float64   `json:"temp_c"`
	ReadPct           float64   `json:"read_pct"`
	ExpectedPct       float64   `json:"expected_pct"`
	OffsetPct         float64   `json:"offset_pct"`
	OffsetStandardPct float64   `json:"offset_standard_pct"`
}

// sealedWithdrawal takes a check back. It is sealed with the day on which that
// was done: the day of the check may be sealed long since.
type sealedWithdrawal struct {
	ID        string    `json:"id"`
	Withdrawn time.Time `json:"withdrawn"`
}

func sealVerdictChecks(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	return collect(ctx, tx, "sensor checks", func(r pgx.CollectableRow) (sectionLine, error) {
		var num, no int32
		var name string
		var recorded time.Time
		var withdrawn bool
		var c sealedCheck
		err := r.Scan(&num, &name, &no, &recorded, &withdrawn, &c.At, &c.Point, &c.Serial, &c.Salt, &c.TempC, &c.ReadPct, &c.ExpectedPct, &c.OffsetPct, &c.OffsetStandardPct)
		if err != nil {
			return sectionLine{}, err
		}
		c.ID, c.At, c.RecordedAt = fmt.Sprintf("%s.c%d", name, no), c.At.UTC(), recorded.UTC()
		if withdrawn {
			return jsonLine(num, recorded.UTC(), "verdict-sensor-checks", sealedWithdrawal{c.ID, recorded.UTC()})
		}
		return jsonLine(num, recorded.UTC(), "verdict-sensor-checks", c)
	}, `SELECT c.property_id, p.name, c.check_no, c.said_at, c.withdrawn, c.at, c.point, c.serial, c.salt, c.temp_c, c.read_pct, c.expected_pct, c.offset_pct, c.offset_standard_pct
		FROM (SELECT *, recorded_at AS said_at, false AS withdrawn FROM sensor_check
			UNION ALL SELECT *, withdrawn_at, true FROM sensor_check WHERE withdrawn_at IS NOT NULL) c JOIN property p USING (property_id)
		WHERE c.property_id = ANY($1) AND c.said_at >= $2 AND c.said_at < $3 ORDER BY c.property_id, c.said_at, c.check_no, c.withdrawn`,
		properties, from, to)
}

type sealedOutage struct {
	ID         string    `json:"id"`
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	ReportedAt time.Time `json:"reported_at"`
	By         string    `json:"by"`
}

func sealVerdictOutages(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	return collect(ctx, tx, "outages", func(r pgx.CollectableRow) (sectionLine, error) {
		var num, no int32
		var name string
		o := sealedOutage{By: "reported"}
		if err := r.Scan(&num, &name, &no, &o.From, &o.To, &o.ReportedAt); err != nil {
			return sectionLine{}, err
		}
		o.ID, o.From, o.To, o.ReportedAt = outageID(name, no), o.From.UTC(), o.To.UTC(), o.ReportedAt.UTC()
		return jsonLine(num, o.ReportedAt, "verdict-outages", o)
	}, `SELECT o.property_id, p.name, o.outage_no, o.from_at, o.to_at, o.reported_at FROM outage o JOIN property p USING (property_id)
		WHERE o.property_id = ANY($1) AND o.reported_at >= $2 AND o.reported_at < $3 ORDER BY o.property_id, o.reported_at, o.outage_no`,
		properties, from, to)
}

type sealedTerms struct {
	From  string `json:"from"`
	Terms string `json:"terms"`
}

func sealVerdictTerms(ctx context.Context, tx pgx.Tx, properties []int32, from, to time.Time) ([]sectionLine, error) {
	return collect(ctx, tx, "terms", func(r pgx.CollectableRow) (sectionLine, error) {
		var num int32
		var at time.Time
		var t sealedTerms
		if err := r.Scan(&num, &at, &t.From, &t.Terms); err != nil {
			return sectionLine{}, err
		}
		return jsonLine(num, at.UTC(), "verdict-terms", t)
	}, `SELECT property_id, assigned_at, from_day::text, terms FROM terms_assignment
		WHERE property_id = ANY($1) AND assigned_at >= $2 AND assigned_at < $3 ORDER BY property_id, assigned_at, assignment_no`, properties, from, to)
}
