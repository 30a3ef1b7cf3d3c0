package viewtest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/store/site"
)

// ConditionsInput implements view.Conditions from the readings, alarms and
// terms of the fleet. Everything was received when it was measured.
func (f *Fleet) ConditionsInput(ctx context.Context, scope view.Scope, property string, from, to site.Date) (warranty.Input, error) {
	p, err := f.Property(ctx, scope, property)
	if err != nil {
		return warranty.Input{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	in := warranty.Input{Property: property, Versions: []warranty.Version{{Property: p.Property}}, From: from, To: to,
		Visits: f.WarrantyVisits[property], Checks: f.WarrantyChecks[property], Outages: slices.Clone(f.OutagesOf[property])}
	zone := p.Zone()
	for d := from; d.Before(to); d = d.AddDays(1) {
		in.Days = append(in.Days, warranty.Day{Date: d, Witnessed: d.AddDays(1).In(zone).Add(72 * time.Hour).UnixMicro()})
	}
	var known []warranty.Assignment
	for _, a := range f.Assigned[property] {
		known = append(known, warranty.Assignment{From: a.From, Terms: a.Terms})
	}
	var versions []warranty.Terms
	for _, v := range f.termsSets() {
		versions = append(versions, v.Terms)
	}
	if in.Terms, err = warranty.Resolve(known, versions); err != nil {
		return in, err
	}
	for _, pt := range p.Points {
		for _, q := range pt.Measures {
			in.Series = append(in.Series, warranty.Series{Point: pt.ID, Quantity: q, Chunks: []warranty.Chunk{f.chunk(Series{property, pt.ID, q})}})
		}
	}
	for _, a := range f.AllAlarms {
		if a.Property == property {
			in.Alarms = append(in.Alarms, warrantyAlarm(a))
		}
	}
	return in, nil
}

// EvidenceBundle implements view.Conditions. The fixed fleet has no log; an
// empty ZIP stands for a bundle.
func (f *Fleet) EvidenceBundle(ctx context.Context, scope view.Scope, property string, _, _ site.Date) ([]byte, error) {
	_, err := f.Property(ctx, scope, property)
	return []byte("PK\x05\x06" + strings.Repeat("\x00", 18)), err
}

func (f *Fleet) chunk(s Series) warranty.Chunk {
	var c warranty.Chunk
	for _, r := range f.Values[s] {
		at := r.At.UnixMicro()
		c.At, c.Received, c.Values = append(c.At, at), append(c.Received, at), append(c.Values, r.Value)
	}
	return c
}

func warrantyAlarm(a view.Alarm) warranty.Alarm {
	out := warranty.Alarm{ID: a.ID, Condition: string(a.Condition), Point: a.Point, Priority: a.Priority.String(), RaisedAt: a.RaisedAt, KnownAt: a.KnownAt,
		Explained: string(a.SuppressedBy), Answers: []warranty.Answer{}}
	if !a.ClearedAt.IsZero() {
		out.ClearedAt = &a.ClearedAt
	}
	if !a.AcknowledgedAt.IsZero() {
		out.Answers = append(out.Answers, warranty.Answer{At: a.AcknowledgedAt, Kind: "acknowledged", By: a.AcknowledgedBy})
	}
	return out
}

func (f *Fleet) termsSets() []view.TermsVersion { return append(view.ShippedTerms(), f.OwnTerms...) }

// TermsSets implements view.Conditions.
func (f *Fleet) TermsSets(context.Context) ([]view.TermsVersion, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.termsSets(), f.Down
}

// AddTerms implements view.Conditions.
func (f *Fleet) AddTerms(_ context.Context, file []byte, by string, at time.Time) (view.TermsVersion, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.Down != nil {
		return view.TermsVersion{}, f.Down
	}
	t, err := view.CheckTerms(file)
	if err != nil {
		return view.TermsVersion{}, err
	}
	for _, have := range f.OwnTerms {
		if have.Name == t.Name && have.Version >= t.Version {
			return view.TermsVersion{}, fmt.Errorf("version %d of %s stands: %w", have.Version, t.Name, view.ErrConflict)
		}
	}
	v := view.TermsVersion{Terms: t, File: file, AddedAt: at, AddedBy: by}
	f.OwnTerms = append(f.OwnTerms, v)
	return v, nil
}

// TermsAssigned implements view.Conditions.
func (f *Fleet) TermsAssigned(ctx context.Context, scope view.Scope, property string) ([]view.TermsAssignment, error) {
	if _, err := f.Property(ctx, scope, property); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.Assigned[property]), nil
}

// AssignTerms implements view.Conditions.
func (f *Fleet) AssignTerms(ctx context.Context, scope view.Scope, property string, a view.TermsAssignment) error {
	if _, err := f.Property(ctx, scope, property); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := view.KnownTerms(f.termsSets(), a.Terms); err != nil {
		return err
	}
	if len(f.Assigned[property]) > 0 && !site.DateOf(a.AssignedAt).Before(a.From) {
		return &view.FieldError{Field: "from", Problem: "terms are in force; others can be assigned from a day after today", Err: view.ErrConflict}
	}
	f.Assigned[property] = append(f.Assigned[property], a)
	return nil
}

// Outages implements view.Conditions.
func (f *Fleet) Outages(ctx context.Context, scope view.Scope, property string, from, to time.Time) ([]warranty.Outage, error) {
	if _, err := f.Property(ctx, scope, property); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []warranty.Outage
	for _, o := range f.OutagesOf[property] {
		if o.From.Before(to) && o.To.After(from) {
			out = append(out, o)
		}
	}
	return out, nil
}

// ReportOutage implements view.Conditions.
func (f *Fleet) ReportOutage(ctx context.Context, scope view.Scope, property string, o warranty.Outage) (warranty.Outage, error) {
	if _, err := f.Property(ctx, scope, property); err != nil {
		return o, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if !o.From.Before(o.To) || o.To.After(o.ReportedAt) {
		return o, fmt.Errorf("an outage must be over: %w", view.ErrInvalid)
	}
	o.ID = fmt.Sprintf("%s.o%d", property, len(f.OutagesOf[property])+1)
	f.OutagesOf[property] = append(f.OutagesOf[property], o)
	return o, nil
}

// addWarranty gives heron-07 terms from its installation on, a hand-over, a
// check of one sensor and a reported outage.
func (f *Fleet) addWarranty() {
	at := func(before time.Duration) time.Time { return Now.Add(-before) }
	installed := site.Date{Year: 2026, Month: 3, Day: 2}
	f.Assigned = map[string][]view.TermsAssignment{"heron-07": {{From: installed, Terms: "standard-60", Origin: "file"}}}
	f.WarrantyVisits = map[string][]warranty.Visit{"heron-07": {
		{ID: "heron-07.v1", Kind: "hand-over", By: warranty.ByCompany, From: time.Date(2026, 3, 2, 14, 0, 0, 0, time.UTC), To: time.Date(2026, 3, 2, 19, 0, 0, 0, time.UTC)},
		{ID: "heron-07.v2", Kind: "service", By: warranty.ByCompany, From: at(260 * time.Hour), To: at(258 * time.Hour), Work: []string{"dehumidifier"}, Findings: "Filter cleaned."}}}
	f.WarrantyChecks = map[string][]warranty.Check{"heron-07": {{ID: "heron-07.c1", At: at(259 * time.Hour), Point: "north-bay", Salt: "NaCl", TempC: 20,
		ReadPct: 76.2, ExpectedPct: 75.479, OffsetPct: 0.721, OffsetStandardPct: 0.3}}}
	f.OutagesOf = map[string][]warranty.Outage{"heron-07": {{ID: "heron-07.o1", From: at(125 * time.Hour), To: at(118 * time.Hour), ReportedAt: at(100 * time.Hour), By: "R. Okafor", Note: "storm"}}}
}

// LatestOutages implements view.Conditions.
func (f *Fleet) LatestOutages(_ context.Context, scope view.Scope, limit int) ([]view.OutageReport, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.OutageReport
	for _, p := range f.Props {
		for _, o := range f.OutagesOf[p.ID] {
			if scope.Allows(p.ID) && len(out) < limit {
				out = append(out, view.OutageReport{Property: p.ID, Title: p.Name, Outage: o})
			}
		}
	}
	return out, f.Down
}
