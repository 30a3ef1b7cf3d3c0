package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// AddHandReading records what somebody measured with an instrument.
func (s *Store) AddHandReading(ctx context.Context, w VisitWrite, of string, h visit.HandReading) (Written, error) {
	h.Unit = h.Quantity.Unit()
	if err := h.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return s.onVisit(ctx, w, of, "record at", h, func(ctx context.Context, t *visitTx) (err error) {
		if err := t.must("record at", visit.UnderWay); err != nil {
			return err
		}
		if h.At.IsZero() {
			h.At = t.w.Now
		}
		if err := t.checkTime(h.At); err != nil {
			return err
		}
		if t.ref, err = t.next(ctx, "visit_reading", "reading_no"); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO visit_reading (property_id, reading_no, visit_no, at, quantity, place, value, unit, remark)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, t.num, t.ref, t.visit.No, h.At, h.Quantity, h.Place, h.Value, h.Unit, h.Remark)
		t.note("reading", h.Remark, t.ref, struct {
			Quantity visit.Quantity `json:"quantity"`
			Value    float64        `json:"value"`
			Unit     string         `json:"unit"`
			Place    string         `json:"place,omitempty"`
		}{h.Quantity, h.Value, h.Unit, h.Place})
		return err
	})
}

// clockSkew is how far ahead of the server a technician's clock may be.
const clockSkew = 5 * time.Minute

// checkTime refuses what was not yet, or before the property was accepted.
func (t *visitTx) checkTime(at time.Time) error {
	if at.After(t.w.Now.Add(clockSkew)) {
		return invalid("time %s is ahead of now", at.Format(time.RFC3339))
	}
	if at.Before(t.w.Now.AddDate(-20, 0, 0)) {
		return invalid("time %s is too long ago", at.Format(time.RFC3339))
	}
	return nil
}

// AddPart records a part used at a visit.
func (s *Store) AddPart(ctx context.Context, w VisitWrite, of string, p visit.Part) (Written, error) {
	if err := p.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return s.onVisit(ctx, w, of, "record at", p, func(ctx context.Context, t *visitTx) (err error) {
		if err := t.must("record at", visit.UnderWay); err != nil {
			return err
		}
		if t.ref, err = t.next(ctx, "visit_part", "part_no"); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO visit_part (property_id, part_no, visit_no, part, pieces, serial) VALUES ($1, $2, $3, $4, $5, $6)`,
			t.num, t.ref, t.visit.No, p.Part, p.Pieces, p.Serial)
		t.note("part", "", t.ref, struct {
			Part   string `json:"part"`
			Pieces int32  `json:"pieces"`
			Serial string `json:"serial,omitempty"`
		}{p.Part, p.Pieces, p.Serial})
		return err
	})
}

// photosPerVisit bounds what one visit can put into the database.
const photosPerVisit = 60

// AddPhoto stores a photo that was already decoded and encoded anew.
func (s *Store) AddPhoto(ctx context.Context, w VisitWrite, of string, p visit.Photo) (Written, error) {
	if err := visit.CheckText("caption", p.Caption, 500); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	p.SHA256 = sha256.Sum256(p.Image)
	content := struct {
		SHA256  [32]byte
		Caption string
	}{p.SHA256, p.Caption}
	return s.onVisit(ctx, w, of, "add a photo to", content, func(ctx context.Context, t *visitTx) (err error) {
		if err := t.must("add a photo to", visit.UnderWay); err != nil {
			return err
		}
		var had int
		if err := t.QueryRow(ctx, `SELECT count(*) FROM visit_photo WHERE property_id = $1 AND visit_no = $2`, t.num, t.visit.No).Scan(&had); err != nil {
			return err
		}
		if had >= photosPerVisit {
			return conflict("it has %d photos already", had)
		}
		if t.ref, err = t.next(ctx, "visit_photo", "photo_no"); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO visit_photo (property_id, photo_no, visit_no, added_at, caption, media_type, width, height, image, sha256, thumb)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			t.num, t.ref, t.visit.No, t.w.Now, p.Caption, p.MediaType, p.Width, p.Height, p.Image, p.SHA256[:], p.Thumb)
		t.note("photo", p.Caption, t.ref, struct {
			SHA256 string `json:"sha256"`
		}{fmt.Sprintf("%x", p.SHA256)})
		return err
	})
}

// DefaultAccuracyPct is the accuracy of a humidity sensor whose description
// says nothing, in %RH (common practice, no source).
const DefaultAccuracyPct = 3.0

// AddSensorCheck records a humidity sensor held over a saturated salt and
// works out the outcome. Of c it takes At, Point, Salt, TempC, ReadPct, Remark,
// and Serial and AccuracyPct where they differ from the description.
func (s *Store) AddSensorCheck(ctx context.Context, w VisitWrite, property, of string, c visit.SensorCheck) (Written, error) {
	if err := cmp.Or(visit.CheckText("remark", c.Remark, 1000), visit.CheckText("serial", c.Serial, 100)); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return s.onProperty(ctx, w, property, of, "check a sensor of", c, func(ctx context.Context, t *visitTx) (err error) {
		if c.At.IsZero() {
			c.At = t.w.Now
		}
		if err := t.checkTime(c.At); err != nil {
			return err
		}
		if err := s.judgeCheck(property, &c); err != nil {
			return err
		}
		if t.ref, err = t.next(ctx, "sensor_check", "check_no"); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO sensor_check (property_id, check_no, visit_no, at, recorded_at, recorded_by, person_id, point, serial, salt,
				temp_c, read_pct, expected_pct, salt_limit_pct, accuracy_pct, tolerance_pct, within, offset_pct, offset_standard_pct, remark)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)`,
			t.num, t.ref, zeroNull(t.visit.No), c.At, t.w.Now, cutText(t.w.By, 200), zeroNull(t.w.Person), c.Point, c.Serial, c.Salt,
			c.TempC, c.ReadPct, c.ExpectedPct, c.SaltLimitPct, c.AccuracyPct, c.TolerancePct, c.Within, c.OffsetPct, c.OffsetStandardPct, c.Remark)
		t.note("sensor-check", c.Remark, t.ref, struct {
			Point    string  `json:"point"`
			Salt     string  `json:"salt"`
			TempC    float64 `json:"temp_c"`
			ReadPct  float64 `json:"read_pct"`
			Offset   float64 `json:"offset_pct"`
			Standard float64 `json:"offset_standard_pct"`
			Within   bool    `json:"within"`
		}{c.Point, c.Salt, c.TempC, c.ReadPct, c.OffsetPct, c.OffsetStandardPct, c.Within})
		return err
	})
}

// inForce is the description of a property at a time.
func (s *Store) inForce(property string, at time.Time) (site.Property, error) {
	reg, ok := s.Registry().Property(property)
	if !ok {
		return site.Property{}, notFound("property %s", property)
	}
	versions, err := reg.Versions()
	if err != nil {
		return site.Property{}, err
	}
	in := versions[0].Property
	for _, v := range versions[1:] {
		if !v.From.After(at) {
			in = v.Property
		}
	}
	return in, nil
}

func (s *Store) judgeCheck(property string, c *visit.SensorCheck) error {
	desc, err := s.inForce(property, c.At)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(desc.Points, func(p site.Point) bool { return p.ID == c.Point && slices.Contains(p.Measures, site.RH) })
	if i < 0 {
		return invalid("point %.40q measures no humidity at %s", c.Point, property)
	}
	if sensor := desc.Points[i].Sensor; sensor != nil {
		if c.Serial == "" {
			c.Serial = sensor.Serial
		}
		if c.AccuracyPct == 0 {
			c.AccuracyPct = sensor.Accuracy[site.RH]
		}
	}
	if c.AccuracyPct == 0 {
		c.AccuracyPct = DefaultAccuracyPct
	}
	salt, err := air.ParseSalt(c.Salt)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	expected, err := air.ExpectedRH(salt, c.TempC)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	out, err := air.CheckSensor(salt, c.TempC, c.ReadPct, c.AccuracyPct)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	offset, err := out.Offset()
	if err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	c.Salt, c.ExpectedPct, c.SaltLimitPct = salt.String(), expected.RHPct, expected.UncertaintyPct
	c.TolerancePct, c.Within, c.OffsetPct, c.OffsetStandardPct = out.TolerancePct, out.Within, offset.Value, offset.Standard
	return nil
}

// onProperty is writeVisit for what may stand outside any visit.
func (s *Store) onProperty(ctx context.Context, w VisitWrite, property, of, doing string, content any, f func(context.Context, *visitTx) error) (Written, error) {
	no := int32(0)
	if of != "" {
		where, n, ok := visit.ParsePartID(of, 'v')
		if !ok || where != property {
			return Written{}, notFound("visit %.60q", of)
		}
		no = n
	}
	out, err := s.writeVisit(ctx, w, property, no, content, func(ctx context.Context, t *visitTx) error {
		if no != 0 {
			if err := t.must("record at", visit.UnderWay); err != nil {
				return err
			}
		}
		return f(ctx, t)
	})
	if err != nil {
		return Written{}, fmt.Errorf("%s %s: %w", doing, property, err)
	}
	return out, nil
}

// AddPumpTest records a test of a sump pump. A test of the primary pump that
// ran is known to the evaluator from its time on: it ends the alarm of a pump
// that was silent in the rain, and a bucket test sets the draw-down that later
// cycles are held against.
func (s *Store) AddPumpTest(ctx context.Context, w VisitWrite, property, of string, p visit.PumpTest) (Written, error) {
	if p.Pump == "" {
		p.Pump = "primary"
	}
	if err := p.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	out, err := s.onProperty(ctx, w, property, of, "test a pump of", p, func(ctx context.Context, t *visitTx) (err error) {
		if p.At.IsZero() {
			p.At = t.w.Now
		}
		if err := t.checkTime(p.At); err != nil {
			return err
		}
		if t.ref, err = t.next(ctx, "pump_test", "test_no"); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO pump_test (property_id, test_no, visit_no, at, recorded_at, recorded_by, person_id, pump, method, ran, poured_l, draw_down_s, remark)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
			t.num, t.ref, zeroNull(t.visit.No), p.At, t.w.Now, cutText(t.w.By, 200), zeroNull(t.w.Person), p.Pump, p.Method, p.Ran,
			figureNull(p.PouredL), figureNull(p.DrawDownS), p.Remark)
		if err != nil {
			return err
		}
		t.note("pump-test", p.Remark, t.ref, struct {
			Pump      string  `json:"pump"`
			Method    string  `json:"method"`
			Ran       bool    `json:"ran"`
			PouredL   float64 `json:"poured_l,omitempty"`
			DrawDownS float64 `json:"draw_down_s,omitempty"`
		}{p.Pump, p.Method, p.Ran, p.PouredL, p.DrawDownS})
		return t.retest(ctx, p)
	})
	s.nudgeEvaluators()
	return out, err
}

func figureNull(f float64) any {
	if f == 0 {
		return nil
	}
	return f
}

// retest makes the property due from just before a test that the evaluator
// has to know, or to forget.
func (t *visitTx) retest(ctx context.Context, p visit.PumpTest) error {
	if p.Pump != "primary" || !p.Ran {
		return nil
	}
	_, err := t.Exec(ctx, `INSERT INTO due (property_id, earliest_at, received_at) VALUES ($1, $2, $3)`, t.num, p.At.Add(-time.Millisecond), t.w.Now)
	return err
}

// Withdraw takes back a sensor check or pump test that was recorded in error;
// it stays on record with the reason.
func (s *Store) Withdraw(ctx context.Context, w VisitWrite, id, why string) (Written, error) {
	if strings.TrimSpace(why) == "" {
		return Written{}, invalid("withdraw %.60q without a reason", id)
	}
	if err := visit.CheckText("why", why, 1000); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	table, column := "sensor_check", "check_no"
	property, no, ok := visit.ParsePartID(id, 'c')
	if !ok {
		table, column = "pump_test", "test_no"
		if property, no, ok = visit.ParsePartID(id, 't'); !ok {
			return Written{}, notFound("%.60q", id)
		}
	}
	content := struct{ ID, Why string }{id, why}
	out, err := s.writeVisit(ctx, w, property, 0, content, func(ctx context.Context, t *visitTx) error {
		t.ref = no
		return t.withdraw(ctx, table, column, why)
	})
	if err != nil {
		return Written{}, fmt.Errorf("withdraw %s: %w", id, err)
	}
	s.nudgeEvaluators()
	return out, nil
}

func (t *visitTx) withdraw(ctx context.Context, table, column, why string) error {
	var withdrawn bool
	var of int32
	err := t.QueryRow(ctx, `SELECT withdrawn_at IS NOT NULL, coalesce(visit_no, 0) FROM `+table+` WHERE property_id = $1 AND `+column+` = $2 FOR UPDATE`,
		t.num, t.ref).Scan(&withdrawn, &of)
	if isNoRows(err) {
		return ErrNotFound
	}
	if err != nil {
		return err
	}
	if withdrawn {
		return conflict("it is withdrawn already")
	}
	_, err = t.Exec(ctx, `UPDATE `+table+` SET withdrawn_at = $3, withdrawn_by = $4, withdrawn_why = $5 WHERE property_id = $1 AND `+column+` = $2`,
		t.num, t.ref, t.w.Now, cutText(t.w.By, 200), why)
	if err != nil {
		return err
	}
	t.visit.No = of
	t.note("withdrawn", why, t.ref, struct {
		What string `json:"what"`
	}{strings.ReplaceAll(table, "_", "-")})
	if table != "pump_test" {
		return nil
	}
	tests, err := queryTests(ctx, t, `WHERE t.property_id = $1 AND t.test_no = $2`, t.num, t.ref)
	if err != nil {
		return err
	}
	return t.retest(ctx, tests[0])
}
