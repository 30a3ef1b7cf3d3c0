package api

import (
	"context"
	"errors"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/visit"
)

func storeWrite(scope view.Scope, w view.Writer) store.VisitWrite {
	return store.VisitWrite{Scope: storeScope(scope), By: w.By, Person: w.Person, Key: w.Key, Now: w.At}
}

// Visits implements view.Visits.
func (s *storeSource) Visits(ctx context.Context, scope view.Scope, q view.VisitQuery) ([]visit.Visit, string, error) {
	page, next, err := s.store.Visits(ctx, store.VisitQuery{
		Scope: storeScope(scope), Property: q.Property, States: q.States, Kind: q.Kind, Assigned: q.Assigned, AssignedName: q.AssignedName,
		Crew: q.Crew, Area: q.Area, DueBy: q.DueBy, Cursor: q.After, Limit: q.Limit,
	})
	return page, next, told(err)
}

// Visit implements view.Visits.
func (s *storeSource) Visit(ctx context.Context, scope view.Scope, id string) (visit.Record, error) {
	v, err := s.store.Visit(ctx, storeScope(scope), id)
	return v, told(err)
}

// written answers a write with the visit as it then stands.
func (s *storeSource) written(ctx context.Context, scope view.Scope, w store.Written, err error) (visit.Record, error) {
	if err != nil {
		return visit.Record{}, told(err)
	}
	return s.Visit(ctx, scope, w.Visit)
}

// PlanVisit implements view.Visits.
func (s *storeSource) PlanVisit(ctx context.Context, scope view.Scope, w view.Writer, p visit.Plan) (visit.Record, error) {
	out, err := s.store.PlanVisit(ctx, storeWrite(scope, w), p)
	return s.written(ctx, scope, out, err)
}

// ChangeVisit implements view.Visits.
func (s *storeSource) ChangeVisit(ctx context.Context, scope view.Scope, w view.Writer, id string, c visit.Change) (visit.Record, error) {
	out, err := s.store.ChangeVisit(ctx, storeWrite(scope, w), id, c)
	return s.written(ctx, scope, out, err)
}

// StartVisit implements view.Visits.
func (s *storeSource) StartVisit(ctx context.Context, scope view.Scope, w view.Writer, id string, st visit.Start) (visit.Record, error) {
	out, err := s.store.StartVisit(ctx, storeWrite(scope, w), id, st)
	return s.written(ctx, scope, out, err)
}

// RecordFindings implements view.Visits.
func (s *storeSource) RecordFindings(ctx context.Context, scope view.Scope, w view.Writer, id string, f visit.Findings) (visit.Record, error) {
	out, err := s.store.RecordFindings(ctx, storeWrite(scope, w), id, f)
	return s.written(ctx, scope, out, err)
}

// SignOff implements view.Visits.
func (s *storeSource) SignOff(ctx context.Context, scope view.Scope, w view.Writer, id string, f visit.Findings) (visit.Record, error) {
	out, err := s.store.SignOff(ctx, storeWrite(scope, w), id, f)
	return s.written(ctx, scope, out, err)
}

// CancelVisit implements view.Visits.
func (s *storeSource) CancelVisit(ctx context.Context, scope view.Scope, w view.Writer, id, why string) (visit.Record, error) {
	out, err := s.store.CancelVisit(ctx, storeWrite(scope, w), id, why)
	return s.written(ctx, scope, out, err)
}

// AddHandReading implements view.Visits.
func (s *storeSource) AddHandReading(ctx context.Context, scope view.Scope, w view.Writer, id string, h visit.HandReading) (visit.Record, error) {
	out, err := s.store.AddHandReading(ctx, storeWrite(scope, w), id, h)
	return s.written(ctx, scope, out, err)
}

// AddPart implements view.Visits.
func (s *storeSource) AddPart(ctx context.Context, scope view.Scope, w view.Writer, id string, p visit.Part) (visit.Record, error) {
	out, err := s.store.AddPart(ctx, storeWrite(scope, w), id, p)
	return s.written(ctx, scope, out, err)
}

// AddPhoto implements view.Visits.
func (s *storeSource) AddPhoto(ctx context.Context, scope view.Scope, w view.Writer, id string, p visit.Photo) (visit.Photo, error) {
	out, err := s.store.AddPhoto(ctx, storeWrite(scope, w), id, p)
	if err != nil {
		return visit.Photo{}, told(err)
	}
	property, _, _ := visit.ParsePartID(out.Visit, 'v')
	return s.Photo(ctx, scope, visit.PartID(property, 'p', out.Ref))
}

// Photo implements view.Visits.
func (s *storeSource) Photo(ctx context.Context, scope view.Scope, id string) (visit.Photo, error) {
	p, err := s.store.VisitPhoto(ctx, storeScope(scope), id)
	return p, told(err)
}

// Assignable implements view.Visits.
func (s *storeSource) Assignable(ctx context.Context, scope view.Scope, property string) ([]view.Assignee, error) {
	found, err := s.store.Assignable(ctx, storeScope(scope), property)
	if err != nil {
		return nil, told(err)
	}
	out := make([]view.Assignee, 0, len(found))
	for _, a := range found {
		out = append(out, view.Assignee(a))
	}
	return out, nil
}

func storeRecords(scope view.Scope, q view.RecordQuery) store.RecordQuery {
	return store.RecordQuery{Scope: storeScope(scope), Property: q.Property, From: q.From, To: q.To, Withdrawn: q.Withdrawn}
}

// SensorChecks implements view.FieldRecords.
func (s *storeSource) SensorChecks(ctx context.Context, scope view.Scope, q view.RecordQuery) ([]visit.SensorCheck, error) {
	if err := s.registered(ctx, scope, q.Property); err != nil {
		return nil, err
	}
	out, err := s.store.SensorChecks(ctx, storeRecords(scope, q))
	return out, told(err)
}

// PumpTests implements view.FieldRecords.
func (s *storeSource) PumpTests(ctx context.Context, scope view.Scope, q view.RecordQuery) ([]visit.PumpTest, error) {
	if err := s.registered(ctx, scope, q.Property); err != nil {
		return nil, err
	}
	out, err := s.store.PumpTests(ctx, storeRecords(scope, q))
	return out, told(err)
}

// registered refuses a property that is not there or not in scope.
func (s *storeSource) registered(ctx context.Context, scope view.Scope, property string) error {
	if _, ok := s.store.Registered(ctx, property); !ok || !scope.Allows(property) {
		return view.ErrNotFound
	}
	return nil
}

// AddSensorCheck implements view.FieldRecords.
func (s *storeSource) AddSensorCheck(ctx context.Context, scope view.Scope, w view.Writer, property, at string, c visit.SensorCheck) (visit.SensorCheck, error) {
	out, err := s.store.AddSensorCheck(ctx, storeWrite(scope, w), property, at, c)
	if err != nil {
		return visit.SensorCheck{}, told(err)
	}
	all, err := s.store.SensorChecks(ctx, store.RecordQuery{Scope: storeScope(scope), Property: property, Withdrawn: true})
	for _, c := range all {
		if c.No == out.Ref {
			return c, nil
		}
	}
	return visit.SensorCheck{}, told(errors.Join(err, store.ErrNotFound))
}

// AddPumpTest implements view.FieldRecords.
func (s *storeSource) AddPumpTest(ctx context.Context, scope view.Scope, w view.Writer, property, at string, t visit.PumpTest) (visit.PumpTest, error) {
	out, err := s.store.AddPumpTest(ctx, storeWrite(scope, w), property, at, t)
	if err != nil {
		return visit.PumpTest{}, told(err)
	}
	all, err := s.store.PumpTests(ctx, store.RecordQuery{Scope: storeScope(scope), Property: property, Withdrawn: true})
	for _, t := range all {
		if t.No == out.Ref {
			return t, nil
		}
	}
	return visit.PumpTest{}, told(errors.Join(err, store.ErrNotFound))
}

// Withdraw implements view.FieldRecords.
func (s *storeSource) Withdraw(ctx context.Context, scope view.Scope, w view.Writer, id, why string) error {
	_, err := s.store.Withdraw(ctx, storeWrite(scope, w), id, why)
	return told(err)
}

// ServicePlan implements view.ServicePlanner.
func (s *storeSource) ServicePlan(ctx context.Context, scope view.Scope, q view.ServiceQuery) ([]view.ServiceItem, string, error) {
	if q.Property != "" {
		if err := s.registered(ctx, scope, q.Property); err != nil {
			return nil, "", err
		}
	}
	hs, err := s.store.ServiceHistories(ctx, store.ServiceQuery{Scope: storeScope(scope), Property: q.Property, Area: q.Area, Now: s.now()})
	if err != nil {
		return nil, "", told(err)
	}
	sets, err := s.TermsSets(ctx)
	if err != nil {
		return nil, "", err
	}
	return view.PlanService(hs, view.ServiceTerms(sets, s.now()), s.named(ctx), q, s.now())
}

func (s *storeSource) named(ctx context.Context) func(property string) (name, area string) {
	return func(property string) (name, area string) {
		if p, ok := s.store.Registered(ctx, property); ok {
			if desc, err := p.Current(); err == nil {
				return desc.Name, desc.Area
			}
		}
		return property, ""
	}
}
