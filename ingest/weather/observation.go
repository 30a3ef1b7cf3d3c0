package weather

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Observation is one report of a station.
type Observation struct {
	At    time.Time
	TempC *float64 // nil: not known
	RHPct *float64
	// Rain over trailing windows that end at At; windows of one report and of
	// several overlap and must not be summed.
	Rain []Window
}

// Window is precipitation over the last Hours before a report; Hours 0 is the
// running amount since the last routine report.
type Window struct {
	Hours int
	MM    float64
}

type observationFeature struct {
	Properties struct {
		Timestamp string   `json:"timestamp"`
		Raw       string   `json:"rawMessage"`
		Temp      quantity `json:"temperature"`
		RH        quantity `json:"relativeHumidity"`
		Rain1     quantity `json:"precipitationLastHour"`
		Rain3     quantity `json:"precipitationLast3Hours"`
		Rain6     quantity `json:"precipitationLast6Hours"`
	} `json:"properties"`
}

// ParseObservations reads a collection of observations, or a single one. What is
// wrong with one of them is in the error, and the others are returned beside it.
func ParseObservations(body []byte) ([]Observation, error) {
	var doc struct {
		Type     string            `json:"type"`
		Features []json.RawMessage `json:"features"`
	}
	if err := json.Unmarshal(body, &doc); err != nil {
		return nil, fmt.Errorf("read observations: %w", err)
	}
	features := doc.Features
	switch doc.Type {
	case "FeatureCollection":
	case "Feature":
		features = []json.RawMessage{body}
	default:
		return nil, fmt.Errorf("read observations: a document of type %.40q", doc.Type)
	}
	var out []Observation
	var errs []error
	for i, raw := range features {
		o, err := parseObservation(raw)
		if err != nil {
			errs = append(errs, fmt.Errorf("observation %d: %w", i+1, err))
			continue
		}
		out = append(out, o)
	}
	return out, errors.Join(errs...)
}

func parseObservation(raw json.RawMessage) (Observation, error) {
	var f observationFeature
	if err := json.Unmarshal(raw, &f); err != nil {
		return Observation{}, err
	}
	p := &f.Properties
	at, err := time.Parse(time.RFC3339, p.Timestamp)
	if err != nil {
		return Observation{}, fmt.Errorf("timestamp %.40q", p.Timestamp)
	}
	o := Observation{At: at.UTC()}
	if o.TempC, err = known("temperature", p.Temp, tempUnits); err != nil {
		return Observation{}, err
	}
	if o.RHPct, err = known("relativeHumidity", p.RH, shareUnits); err != nil {
		return Observation{}, err
	}
	for _, w := range []struct {
		name  string
		q     quantity
		hours int
	}{{"precipitationLastHour", p.Rain1, 0}, {"precipitationLast3Hours", p.Rain3, 3}, {"precipitationLast6Hours", p.Rain6, 6}} {
		mm, err := known(w.name, w.q, depthUnits)
		if err != nil {
			return Observation{}, err
		}
		if mm != nil && *mm < 0 {
			return Observation{}, fmt.Errorf("%s is %g mm", w.name, *mm)
		}
		if mm != nil {
			o.Rain = append(o.Rain, Window{w.hours, *mm})
		}
	}
	o.fromReport(p.Raw)
	return o, nil
}

// known is a value in the stored unit, nil where it is null or has not passed the
// service's checks.
func known(name string, q quantity, units map[string]scale) (*float64, error) {
	v, ok, err := convert(name, q.UnitCode, q.Value, units)
	if err != nil || !ok || q.failed() {
		return nil, err
	}
	return &v, nil
}

// fromReport takes what the raw report says better: a trace, which the decoded
// fields give as 0, and a dry hour, which they give as null. A raw report of
// another time is not this observation's.
func (o *Observation) fromReport(raw string) {
	if raw == "" {
		return
	}
	m, err := ParseMETAR(raw)
	if err != nil {
		return // the decoded fields stand for themselves
	}
	minutes := o.At.Hour()*60 + o.At.Minute() - m.Hour*60 - m.Minute
	if minutes = ((minutes % 1440) + 1440) % 1440; m.Day != o.At.Day() && minutes == 0 || minutes > 5 && minutes < 1435 {
		return
	}
	switch {
	case m.Hourly.State != NotReported:
		o.set(0, m.Hourly)
	case m.Dry():
		o.set(0, Depth{State: Measured})
	case m.NoGauge:
		o.set(0, Depth{State: Missing})
	}
	if m.Several.State != NotReported {
		o.set(m.SeveralHours(), m.Several)
	}
}

// set replaces the window of that length by what the report says. A report that
// says less than a decoded depth takes nothing away from it.
func (o *Observation) set(hours int, d Depth) {
	mm, ok := d.Amount()
	for i := range o.Rain {
		if o.Rain[i].Hours != hours {
			continue
		}
		switch {
		case !ok:
			o.Rain = append(o.Rain[:i], o.Rain[i+1:]...)
		case o.Rain[i].MM == 0 || d.State == Measured && mm > 0:
			o.Rain[i].MM = mm
		}
		return
	}
	if ok {
		o.Rain = append(o.Rain, Window{hours, mm})
	}
}
