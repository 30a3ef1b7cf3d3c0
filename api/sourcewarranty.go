package api

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// ConditionsInput implements view.Conditions.
func (s *storeSource) ConditionsInput(ctx context.Context, scope view.Scope, property string, from, to site.Date) (warranty.Input, error) {
	reg, ok := s.store.Registered(ctx, property)
	if !ok || !scope.Allows(property) {
		return warranty.Input{}, view.ErrNotFound
	}
	versions, err := reg.Versions()
	if err != nil {
		return warranty.Input{}, err
	}
	b := &inputBuilder{source: s, ctx: ctx, scope: scope}
	b.in = warranty.Input{Property: property, From: from, To: to}
	for _, v := range versions {
		w := warranty.Version{Property: v.Property}
		if v.Property.Effective != nil {
			w.From = *v.Property.Effective
		}
		b.in.Versions = append(b.in.Versions, w)
	}
	b.zone = versions[0].Property.Zone()
	b.from, b.to = from.In(b.zone), to.In(b.zone)
	for _, step := range []func() error{b.days, b.terms, b.readings, b.alarms, b.visits, b.checks, b.outages} {
		if err := step(); err != nil {
			return warranty.Input{}, fmt.Errorf("what a verdict on %s rests on: %w", property, told(err))
		}
	}
	return b.in, nil
}

// inputBuilder collects an input from the store.
type inputBuilder struct {
	source   *storeSource
	ctx      context.Context
	scope    view.Scope
	in       warranty.Input
	zone     *time.Location
	from, to time.Time
}

func (b *inputBuilder) days() error {
	sealed, err := b.source.store.SealedDays(b.ctx, b.in.Property, b.in.From, b.in.To)
	if err != nil {
		return err
	}
	for d := b.in.From; d.Before(b.in.To); d = d.AddDays(1) {
		day := warranty.Day{Date: d, Witnessed: d.AddDays(1).In(b.zone).Add(b.source.store.SealDelay()).UnixMicro()}
		if len(sealed) > 0 && sealed[0] == d {
			day.Sealed, sealed = true, sealed[1:]
		}
		b.in.Days = append(b.in.Days, day)
	}
	return nil
}

func (b *inputBuilder) terms() error {
	sets, err := b.source.TermsSets(b.ctx)
	if err != nil {
		return err
	}
	assigned, err := b.source.TermsAssigned(b.ctx, b.scope, b.in.Property)
	if err != nil {
		return err
	}
	b.in.Terms, err = inForce(sets, assigned)
	return err
}

func inForce(sets []view.TermsVersion, assigned []view.TermsAssignment) ([]warranty.InForce, error) {
	var versions []warranty.Terms
	for _, v := range sets {
		versions = append(versions, v.Terms)
	}
	var known []warranty.Assignment
	for _, a := range assigned {
		// A name that no set has is shown as no terms in force, not as an error of
		// the service.
		if slices.ContainsFunc(versions, func(t warranty.Terms) bool { return t.Name == a.Terms }) {
			known = append(known, warranty.Assignment{From: a.From, Terms: a.Terms})
		}
	}
	return warranty.Resolve(known, versions)
}

// judged are the quantities that a verdict looks at.
var judged = []site.Quantity{site.RH, site.AirTemp, site.SurfaceTemp, site.WoodMoisture, site.Mains}

func (b *inputBuilder) readings() error {
	order, quantities := b.judgedPoints()
	for _, point := range order {
		if err := b.point(point, quantities[point]); err != nil {
			return err
		}
	}
	return nil
}

// judgedPoints are the points of all versions in their order, each with the
// quantities that are judged there.
func (b *inputBuilder) judgedPoints() (order []string, quantities map[string][]site.Quantity) {
	quantities = map[string][]site.Quantity{}
	for _, v := range b.in.Versions {
		for _, pt := range v.Property.Points {
			for _, q := range judged {
				if pt.Outdoors || !pt.Has(q) || slices.Contains(quantities[pt.ID], q) {
					continue
				}
				if len(quantities[pt.ID]) == 0 {
					order = append(order, pt.ID)
				}
				quantities[pt.ID] = append(quantities[pt.ID], q)
			}
		}
	}
	return order, quantities
}

// point brings the columns of a point. A series that has no number yet has no
// readings.
func (b *inputBuilder) point(point string, quantities []site.Quantity) error {
	ask := store.ColumnQuery{Property: b.in.Property, Point: point, Quantities: quantities, From: b.from, To: b.to, Receipts: true,
		Within: b.source.store.SealDelay()} // so that it was received before its day's delay was over
	columns, err := b.source.store.Columns(b.ctx, ask)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return err
	}
	for i, q := range quantities {
		s := warranty.Series{Point: point, Quantity: q}
		if columns != nil {
			for _, c := range columns[i] {
				s.Chunks = append(s.Chunks, warranty.Chunk(c))
			}
		}
		b.in.Series = append(b.in.Series, s)
	}
	return nil
}

func (b *inputBuilder) alarms() error {
	answers, err := b.source.store.AlarmAnswers(b.ctx, storeScope(b.scope), b.in.Property, b.from, b.to)
	if err != nil {
		return err
	}
	given := map[string][]warranty.Answer{}
	for _, a := range answers {
		given[a.Alarm] = append(given[a.Alarm], warranty.Answer{At: a.At, Kind: a.Kind, By: a.By, Note: a.Why})
	}
	q := store.AlarmQuery{Scope: storeScope(b.scope), Property: b.in.Property, To: b.to, Now: b.source.now(), Limit: 1000}
	for {
		page, next, err := b.source.store.Alarms(b.ctx, q)
		if err != nil {
			return err
		}
		for _, a := range page {
			if a.ClearedAt.IsZero() || a.ClearedAt.After(b.from) {
				b.in.Alarms = append(b.in.Alarms, alarmForVerdict(a, given[a.ID]))
			}
		}
		if q.Cursor = next; next == "" {
			return nil
		}
	}
}

func alarmForVerdict(a store.AlarmRecord, answers []warranty.Answer) warranty.Alarm {
	out := warranty.Alarm{ID: a.ID, Condition: string(a.Condition), Point: a.Point, Priority: a.Priority.String(), RaisedAt: a.RaisedAt,
		KnownAt: a.KnownAt, Withdrawn: !a.WithdrawnAt.IsZero(), Explained: string(a.SuppressedBy), Answers: answers}
	if answers == nil {
		out.Answers = []warranty.Answer{}
	}
	if !a.ClearedAt.IsZero() {
		out.ClearedAt = &a.ClearedAt
	}
	for _, c := range a.Causes {
		out.Causes = append(out.Causes, c.Cause)
	}
	return out
}

// serviceBack is how far back visits are looked for: beyond any warranty.
const serviceBack = 60 * 366 * 24 * time.Hour

func (b *inputBuilder) visits() error {
	found, err := b.source.store.VisitsBetween(b.ctx, storeScope(b.scope), b.in.Property, b.from.Add(-serviceBack), b.to)
	if err != nil {
		return err
	}
	for i := range found {
		// What nobody signed off is not on record.
		if v := &found[i].Visit; v.State == visit.Done {
			b.in.Visits = append(b.in.Visits, visitForVerdict(v))
		}
	}
	return nil
}

// visitForVerdict: whoever records visits here works for the company.
func visitForVerdict(v *visit.Visit) warranty.Visit {
	return warranty.Visit{ID: v.ID, Kind: string(v.Kind), By: warranty.ByCompany, From: v.StartedAt, To: v.EndedAt, Work: visit.Parts(v.Work), Findings: v.Findings}
}

func (b *inputBuilder) checks() error {
	found, err := b.source.store.SensorChecks(b.ctx, store.RecordQuery{Scope: storeScope(b.scope), Property: b.in.Property, To: b.to})
	if err != nil {
		return err
	}
	for _, c := range found {
		b.in.Checks = append(b.in.Checks, warranty.Check{ID: c.ID, At: c.At, RecordedAt: c.RecordedAt, Point: c.Point, Serial: c.Serial, Salt: c.Salt, TempC: c.TempC,
			ReadPct: c.ReadPct, ExpectedPct: c.ExpectedPct, OffsetPct: c.OffsetPct, OffsetStandardPct: c.OffsetStandardPct})
	}
	return nil
}

func (b *inputBuilder) outages() (err error) {
	b.in.Outages, err = b.source.Outages(b.ctx, b.scope, b.in.Property, b.from, b.to)
	return err
}

// TermsSets implements view.Conditions.
func (s *storeSource) TermsSets(ctx context.Context) ([]view.TermsVersion, error) {
	out := view.ShippedTerms()
	own, err := s.store.TermsVersions(ctx)
	if err != nil {
		return nil, told(err)
	}
	for _, v := range own {
		t, err := warranty.ParseTerms(v.Document)
		if err != nil {
			return nil, fmt.Errorf("terms %s version %d: %w", v.Name, v.Version, err)
		}
		out = append(out, view.TermsVersion{Terms: t, File: v.Document, AddedAt: v.AddedAt, AddedBy: v.AddedBy})
	}
	return out, nil
}

// AddTerms implements view.Conditions.
func (s *storeSource) AddTerms(ctx context.Context, file []byte, by string, at time.Time) (view.TermsVersion, error) {
	t, err := view.CheckTerms(file)
	if err != nil {
		return view.TermsVersion{}, err
	}
	v := store.TermsVersion{Name: t.Name, Version: t.Version, Document: file, AddedBy: by}
	if t.Effective != (site.Date{}) {
		v.Effective = &t.Effective
	}
	if err := s.store.AddTerms(ctx, v, at); err != nil {
		return view.TermsVersion{}, told(err)
	}
	return view.TermsVersion{Terms: t, File: file, AddedAt: at, AddedBy: by}, nil
}

// TermsAssigned implements view.Conditions.
func (s *storeSource) TermsAssigned(ctx context.Context, scope view.Scope, property string) ([]view.TermsAssignment, error) {
	found, err := s.store.TermsAssigned(ctx, storeScope(scope), property)
	if err != nil {
		return nil, told(err)
	}
	out := make([]view.TermsAssignment, len(found))
	for i, a := range found {
		out[i] = view.TermsAssignment(a)
	}
	return out, nil
}

// AssignTerms implements view.Conditions.
func (s *storeSource) AssignTerms(ctx context.Context, scope view.Scope, property string, a view.TermsAssignment) error {
	sets, err := s.TermsSets(ctx)
	if err != nil {
		return err
	}
	if err := view.KnownTerms(sets, a.Terms); err != nil {
		return err
	}
	return told(s.store.AssignTerms(ctx, storeScope(scope), property, store.TermsAssignment(a), a.AssignedAt))
}

// Outages implements view.Conditions.
func (s *storeSource) Outages(ctx context.Context, scope view.Scope, property string, from, to time.Time) ([]warranty.Outage, error) {
	found, err := s.store.Outages(ctx, storeScope(scope), property, from, to)
	if err != nil {
		return nil, told(err)
	}
	out := make([]warranty.Outage, len(found))
	for i, o := range found {
		out[i] = warranty.Outage{ID: o.ID, From: o.From, To: o.To, ReportedAt: o.ReportedAt, By: o.ReportedBy, Note: o.Note}
	}
	return out, nil
}

// ReportOutage implements view.Conditions.
func (s *storeSource) ReportOutage(ctx context.Context, scope view.Scope, property string, o warranty.Outage) (warranty.Outage, error) {
	done, err := s.store.ReportOutage(ctx, storeScope(scope), property, store.Outage{From: o.From, To: o.To, Note: o.Note, ReportedAt: o.ReportedAt, ReportedBy: o.By})
	if err != nil {
		return warranty.Outage{}, told(err)
	}
	o.ID = done.ID
	return o, nil
}

// LatestOutages implements view.Conditions.
func (s *storeSource) LatestOutages(ctx context.Context, scope view.Scope, limit int) ([]view.OutageReport, error) {
	found, err := s.store.LatestOutages(ctx, storeScope(scope), limit)
	out := make([]view.OutageReport, len(found))
	for i, o := range found {
		out[i] = view.OutageReport{Property: o.Property, Title: o.Title, Outage: warranty.Outage{ID: o.ID, From: o.From, To: o.To, ReportedAt: o.ReportedAt, By: o.ReportedBy, Note: o.Note}}
	}
	return out, told(err)
}
