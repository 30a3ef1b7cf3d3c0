package viewtest

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"underkeep/alerting/air"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// visits is what the fixed fleet knows of visits.
type visits struct {
	All    []visit.Record
	Checks []visit.SensorCheck
	Tests  []visit.PumpTest
	photos map[string]visit.Photo
	keys   map[string]keyed
}

// keyed is a write that had come before.
type keyed struct {
	sum    [32]byte
	id     string
	number int32
}

func (f *Fleet) addVisits() {
	f.visits.photos, f.visits.keys = map[string]visit.Photo{}, map[string]keyed{}
	day := func(d int) *site.Date { return &site.Date{Year: 2026, Month: time.July, Day: d} }
	at := Now.Add(-30 * 24 * time.Hour)
	f.visits.All = []visit.Record{
		{Visit: visit.Visit{ID: "heron-07.v1", Property: "heron-07", No: 1, Kind: visit.Service, State: visit.Done, Origin: visit.ByTerms,
			Reason: "filter is due", AssignedTo: 2, AssignedName: "Lee Marsh", PlannedAt: at, PlannedBy: "Dana Brook", StartedAt: at, StartedBy: "Lee Marsh",
			EndedAt: at.Add(time.Hour), EndedBy: "Lee Marsh", Findings: "Filter changed, drain clear.", Work: []visit.Work{visit.WorkFilter}, Revision: 4, ChangedAt: at.Add(time.Hour)}},
		{Visit: visit.Visit{ID: "heron-07.v2", Property: "heron-07", No: 2, Kind: visit.Repair, State: visit.Planned, Origin: visit.ByAlarm, Alarm: "106",
			Reason: "Dehumidifier has stopped", DueOn: day(15), Crew: "North crew", AssignedTo: 2, AssignedName: "Lee Marsh",
			PlannedAt: Now.Add(-time.Hour), PlannedBy: "Dana Brook", Revision: 1, ChangedAt: Now.Add(-time.Hour)}},
		{Visit: visit.Visit{ID: "tern-12.v1", Property: "tern-12", No: 1, Kind: visit.HandOver, State: visit.UnderWay, Origin: visit.ByHand,
			DueOn: day(14), AssignedTo: 2, AssignedName: "Lee Marsh", PlannedAt: Now.Add(-48 * time.Hour), PlannedBy: "Dana Brook",
			StartedAt: Now.Add(-time.Hour), StartedBy: "Lee Marsh", Revision: 2, ChangedAt: Now.Add(-time.Hour)}},
		{Visit: visit.Visit{ID: "plover-21.v1", Property: "plover-21", No: 1, Kind: visit.Inspection, State: visit.Planned, Origin: visit.ByHand,
			DueOn: day(10), PlannedAt: Now.Add(-48 * time.Hour), PlannedBy: "Dana Brook", Revision: 1, ChangedAt: Now.Add(-48 * time.Hour)}},
	}
	f.visits.All = slices.Insert(f.visits.All, 2, visit.Record{Visit: visit.Visit{ID: "heron-07.v3", Property: "heron-07", No: 3, Kind: visit.PumpTesting,
		State: visit.UnderWay, Origin: visit.UnprovenPump, AssignedTo: 8, AssignedName: "Ana Sol", PlannedAt: Now.Add(-2 * time.Hour), PlannedBy: "Dana Brook",
		StartedAt: Now.Add(-time.Hour), StartedBy: "Ana Sol", Revision: 2, ChangedAt: Now.Add(-time.Hour)}})
	for _, id := range []string{"heron-07", "plover-21"} {
		p := visit.Photo{ID: id + ".p1", No: 1, Visit: id + ".v1", AddedAt: at, Caption: "Liner at the north wall", MediaType: "image/jpeg", Width: 1, Height: 1, Image: []byte("jpeg"), Thumb: []byte("small")}
		f.visits.photos[p.ID] = p
	}
	listed := f.visits.photos["heron-07.p1"]
	listed.Image, listed.Thumb = nil, nil
	f.visits.All[0].Photos = []visit.Photo{listed}
	f.visits.Checks = []visit.SensorCheck{{ID: "heron-07.c1", No: 1, Property: "heron-07", Visit: "heron-07.v1", At: at, RecordedAt: at, RecordedBy: "Lee Marsh",
		Point: "north-bay", Serial: "A17", Salt: "NaCl", TempC: 20, ReadPct: 76.9, ExpectedPct: 75.48, SaltLimitPct: 0.14, AccuracyPct: 2, TolerancePct: 2.64,
		Within: true, OffsetPct: 1.42, OffsetStandardPct: 0.3}}
	f.visits.Tests = []visit.PumpTest{{ID: "heron-07.t1", No: 1, Property: "heron-07", Visit: "heron-07.v1", At: at, RecordedAt: at, RecordedBy: "Lee Marsh",
		Pump: visit.Primary, Method: visit.ByBucket, Ran: true, PouredL: 25, DrawDownS: 12}}
	f.visits.All[0].Checks, f.visits.All[0].Tests = f.visits.Checks, f.visits.Tests
}

// Visits implements view.Visits.
func (f *Fleet) Visits(_ context.Context, scope view.Scope, q view.VisitQuery) ([]visit.Visit, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var all []visit.Visit
	for _, r := range f.visits.All {
		if v := r.Visit; scope.Allows(v.Property) && f.visitAsked(v, q) {
			p := f.Props[f.propertyIndex(v.Property)]
			v.Name, v.Area = p.Name, p.Area
			all = append(all, v)
		}
	}
	slices.SortStableFunc(all, func(a, b visit.Visit) int {
		return cmp.Or(cmp.Compare(sortKey(a), sortKey(b)), cmp.Compare(a.ID, b.ID))
	})
	from := 0
	if q.After != "" {
		if from = slices.IndexFunc(all, func(v visit.Visit) bool { return v.ID == q.After }) + 1; from == 0 {
			return nil, "", cmp.Or(f.Down, view.ErrInvalid)
		}
	}
	all = all[from:]
	if q.Limit > 0 && len(all) > q.Limit {
		return all[:q.Limit], all[q.Limit-1].ID, f.Down
	}
	return all, "", f.Down
}

func sortKey(v visit.Visit) string {
	switch {
	case !v.Open():
		return "x" + time.Unix(1<<36-v.EndedAt.Unix(), 0).UTC().Format(time.RFC3339)
	case v.DueOn == nil:
		return "b"
	}
	return "a" + v.DueOn.String()
}

func (f *Fleet) visitAsked(v visit.Visit, q view.VisitQuery) bool {
	area := ""
	if i := f.propertyIndex(v.Property); i >= 0 {
		area = f.Props[i].Area
	}
	mine := q.Assigned == 0 && q.AssignedName == "" || q.Assigned != 0 && v.AssignedTo == q.Assigned || q.AssignedName != "" && v.AssignedName == q.AssignedName
	return (q.Property == "" || v.Property == q.Property) && (len(q.States) == 0 || slices.Contains(q.States, v.State)) && mine &&
		(q.Kind == "" || v.Kind == q.Kind) && (q.Crew == "" || v.Crew == q.Crew) && (q.Area == "" || area == q.Area) &&
		(q.DueBy == nil || v.DueOn != nil && !q.DueBy.Before(*v.DueOn))
}

func (f *Fleet) propertyIndex(id string) int {
	return slices.IndexFunc(f.Props, func(p view.Property) bool { return p.ID == id })
}

// findVisit is a visit in scope; the lock is held.
func (f *Fleet) findVisit(scope view.Scope, id string) (*visit.Record, error) {
	if f.Down != nil {
		return nil, f.Down
	}
	for i := range f.visits.All {
		if r := &f.visits.All[i]; r.ID == id && scope.Allows(r.Property) {
			return r, nil
		}
	}
	return nil, view.ErrNotFound
}

// Visit implements view.Visits.
func (f *Fleet) Visit(_ context.Context, scope view.Scope, id string) (visit.Record, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	r, err := f.findVisit(scope, id)
	if err != nil {
		return visit.Record{}, err
	}
	out := *r
	out.Name = f.Props[f.propertyIndex(r.Property)].Name
	return out, nil
}

// again finds a write of the same key; what it wrote is returned.
func (f *Fleet) again(w view.Writer, property string, content any) (keyed, bool, error) {
	if w.Key == "" {
		return keyed{}, false, nil
	}
	b, err := json.Marshal(content)
	if err != nil {
		return keyed{}, false, err
	}
	k := keyed{sum: sha256.Sum256(append(b, fmt.Sprintf("%T", content)...))}
	had, ok := f.visits.keys[property+"/"+w.Key]
	if ok && had.sum != k.sum {
		return k, false, view.ErrConflict
	}
	if ok {
		return had, true, nil
	}
	return k, false, nil
}

func (f *Fleet) remember(w view.Writer, property string, k keyed) {
	if w.Key != "" {
		f.visits.keys[property+"/"+w.Key] = k
	}
}

// PlanVisit implements view.Visits.
func (f *Fleet) PlanVisit(_ context.Context, scope view.Scope, w view.Writer, p visit.Plan) (visit.Record, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.Down != nil {
		return visit.Record{}, f.Down
	}
	if f.propertyIndex(p.Property) < 0 || !scope.Allows(p.Property) {
		return visit.Record{}, view.ErrNotFound
	}
	if err := p.Check(); err != nil {
		return visit.Record{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	if p.Alarm != "" && !slices.ContainsFunc(f.AllAlarms, func(a view.Alarm) bool { return a.ID == p.Alarm && a.Property == p.Property }) {
		return visit.Record{}, view.ErrNotFound
	}
	k, repeated, err := f.again(w, p.Property, p)
	if err != nil || repeated {
		r, _ := f.findVisit(scope, k.id)
		return deref(r), err
	}
	no := int32(1)
	for _, r := range f.visits.All {
		if r.Property == p.Property {
			no = max(no, r.No+1)
		}
	}
	r := visit.Record{Visit: visit.Visit{ID: visit.ID(p.Property, no), Property: p.Property, No: no, Kind: p.Kind, State: visit.Planned, Origin: p.Origin,
		Reason: p.Reason, DueOn: p.DueOn, Crew: p.Crew, AssignedTo: p.AssignedTo, Alarm: p.Alarm, PlannedAt: w.At, PlannedBy: w.By, Revision: 1, ChangedAt: w.At}}
	if r.AssignedTo != 0 {
		r.AssignedName = "Lee Marsh"
	}
	r.Journal = append(r.Journal, visit.Entry{At: w.At, Kind: "planned", Actor: w.By, Why: p.Reason, Detail: []byte("{}")})
	f.visits.All = append(f.visits.All, r)
	k.id = r.ID
	f.remember(w, p.Property, k)
	return r, nil
}

func deref(r *visit.Record) visit.Record {
	if r == nil {
		return visit.Record{}
	}
	return *r
}

// change runs a write on a visit in one of the states.
func (f *Fleet) change(scope view.Scope, w view.Writer, id, kind, why string, content any, change func(*visit.Record) error, states ...visit.State) (visit.Record, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	r, err := f.findVisit(scope, id)
	if err != nil {
		return visit.Record{}, err
	}
	k, repeated, err := f.again(w, r.Property, []any{id, kind, content})
	if err != nil || repeated {
		return *r, err
	}
	if !slices.Contains(states, r.State) {
		return visit.Record{}, fmt.Errorf("visit %s is %s: %w", id, r.State, view.ErrConflict)
	}
	if err := change(r); err != nil {
		return visit.Record{}, err
	}
	r.Revision, r.ChangedAt = r.Revision+1, w.At
	r.Journal = append(r.Journal, visit.Entry{At: w.At, Kind: kind, Actor: w.By, Why: why, Detail: []byte("{}")})
	k.id = id
	f.remember(w, r.Property, k)
	return *r, nil
}

// ChangeVisit implements view.Visits.
func (f *Fleet) ChangeVisit(_ context.Context, scope view.Scope, w view.Writer, id string, c visit.Change) (visit.Record, error) {
	return f.change(scope, w, id, "changed", c.Why, c, func(r *visit.Record) error {
		if c.Reason != nil {
			r.Reason = *c.Reason
		}
		if c.DueOn != nil || c.NoDay {
			r.DueOn = c.DueOn
		}
		if c.Crew != nil {
			r.Crew = *c.Crew
		}
		if c.AssignedTo != nil {
			r.AssignedTo, r.AssignedName = *c.AssignedTo, "Lee Marsh"
		}
		return nil
	}, visit.Planned, visit.UnderWay)
}

// StartVisit implements view.Visits.
func (f *Fleet) StartVisit(_ context.Context, scope view.Scope, w view.Writer, id string, s visit.Start) (visit.Record, error) {
	if err := s.Check(); err != nil {
		return visit.Record{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	return f.change(scope, w, id, "started", "", s, func(r *visit.Record) error {
		r.State, r.StartedAt, r.StartedBy = visit.UnderWay, w.At, w.By
		for _, d := range s.Disturbs {
			for _, c := range visit.Disturbed(d) {
				r.Holds = append(r.Holds, visit.Hold{Condition: c, From: w.At, Until: w.At.Add(visit.DefaultLength), By: w.By, Reason: "visit " + id + ", " + string(d)})
			}
		}
		return nil
	}, visit.Planned)
}

// RecordFindings implements view.Visits.
func (f *Fleet) RecordFindings(_ context.Context, scope view.Scope, w view.Writer, id string, x visit.Findings) (visit.Record, error) {
	if err := x.Check(); err != nil {
		return visit.Record{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	return f.change(scope, w, id, "recorded", "", x, func(r *visit.Record) error {
		r.Findings, r.Work = x.Findings, x.Work
		return nil
	}, visit.UnderWay)
}

// SignOff implements view.Visits.
func (f *Fleet) SignOff(_ context.Context, scope view.Scope, w view.Writer, id string, x visit.Findings) (visit.Record, error) {
	if err := x.Check(); err != nil || x.Findings == "" {
		return visit.Record{}, fmt.Errorf("%w: say what was found and done", view.ErrInvalid)
	}
	return f.change(scope, w, id, "done", "", x, func(r *visit.Record) error {
		r.Findings, r.Work, r.State, r.EndedAt, r.EndedBy = x.Findings, x.Work, visit.Done, w.At, w.By
		return nil
	}, visit.UnderWay)
}

// CancelVisit implements view.Visits.
func (f *Fleet) CancelVisit(_ context.Context, scope view.Scope, w view.Writer, id, why string) (visit.Record, error) {
	return f.change(scope, w, id, "cancelled", why, why, func(r *visit.Record) error {
		r.State, r.EndedAt, r.EndedBy = visit.Cancelled, w.At, w.By
		return nil
	}, visit.Planned, visit.UnderWay)
}

// AddHandReading implements view.Visits.
func (f *Fleet) AddHandReading(_ context.Context, scope view.Scope, w view.Writer, id string, h visit.HandReading) (visit.Record, error) {
	h.Unit = h.Quantity.Unit()
	if err := h.Check(); err != nil {
		return visit.Record{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	return f.change(scope, w, id, "reading", "", h, func(r *visit.Record) error {
		h.No = int32(len(r.Readings) + 1)
		if h.At.IsZero() {
			h.At = w.At
		}
		r.Readings = append(r.Readings, h)
		return nil
	}, visit.UnderWay)
}

// AddPart implements view.Visits.
func (f *Fleet) AddPart(_ context.Context, scope view.Scope, w view.Writer, id string, p visit.Part) (visit.Record, error) {
	if err := p.Check(); err != nil {
		return visit.Record{}, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	return f.change(scope, w, id, "part", "", p, func(r *visit.Record) error {
		p.No = int32(len(r.Parts) + 1)
		r.Parts = append(r.Parts, p)
		return nil
	}, visit.UnderWay)
}

// AddPhoto implements view.Visits.
func (f *Fleet) AddPhoto(_ context.Context, scope view.Scope, w view.Writer, id string, p visit.Photo) (visit.Photo, error) {
	p.SHA256 = sha256.Sum256(p.Image)
	_, err := f.change(scope, w, id, "photo", p.Caption, p.SHA256, func(r *visit.Record) error {
		p.No = int32(len(f.visits.photos) + 1)
		p.ID, p.Visit, p.AddedAt = visit.PartID(r.Property, 'p', p.No), id, w.At
		f.visits.photos[p.ID] = p
		listed := p
		listed.Image, listed.Thumb = nil, nil
		r.Photos = append(r.Photos, listed)
		return nil
	}, visit.UnderWay)
	return p, err
}

// Photo implements view.Visits.
func (f *Fleet) Photo(_ context.Context, scope view.Scope, id string) (visit.Photo, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	p, ok := f.visits.photos[id]
	property, _, _ := visit.ParsePartID(id, 'p')
	if !ok || !scope.Allows(property) {
		return visit.Photo{}, cmp.Or(f.Down, view.ErrNotFound)
	}
	return p, f.Down
}

// Assignable implements view.Visits.
func (f *Fleet) Assignable(_ context.Context, scope view.Scope, property string) ([]view.Assignee, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.propertyIndex(property) < 0 || !scope.Allows(property) {
		return nil, cmp.Or(f.Down, view.ErrNotFound)
	}
	return []view.Assignee{{Person: 2, Name: "Lee Marsh"}, {Person: 8, Name: "Ana Sol"}}, f.Down
}

func (f *Fleet) known(scope view.Scope, property string) error {
	if f.propertyIndex(property) < 0 || !scope.Allows(property) {
		return cmp.Or(f.Down, view.ErrNotFound)
	}
	return f.Down
}

// SensorChecks implements view.FieldRecords.
func (f *Fleet) SensorChecks(_ context.Context, scope view.Scope, q view.RecordQuery) ([]visit.SensorCheck, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []visit.SensorCheck
	for _, c := range f.visits.Checks {
		if c.Property == q.Property && (q.Withdrawn || c.WithdrawnAt.IsZero()) && within(c.At, q) {
			out = append(out, c)
		}
	}
	return out, f.known(scope, q.Property)
}

func within(at time.Time, q view.RecordQuery) bool {
	return (q.From.IsZero() || !at.Before(q.From)) && (q.To.IsZero() || at.Before(q.To))
}

// PumpTests implements view.FieldRecords.
func (f *Fleet) PumpTests(_ context.Context, scope view.Scope, q view.RecordQuery) ([]visit.PumpTest, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []visit.PumpTest
	for _, t := range f.visits.Tests {
		if t.Property == q.Property && (q.Withdrawn || t.WithdrawnAt.IsZero()) && within(t.At, q) {
			out = append(out, t)
		}
	}
	return out, f.known(scope, q.Property)
}

// AddSensorCheck implements view.FieldRecords.
func (f *Fleet) AddSensorCheck(_ context.Context, scope view.Scope, w view.Writer, property, at string, c visit.SensorCheck) (visit.SensorCheck, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.known(scope, property); err != nil {
		return c, err
	}
	k, repeated, err := f.again(w, property, c)
	if err != nil || repeated {
		return f.visits.Checks[max(k.number-1, 0)], err
	}
	salt, err := air.ParseSalt(c.Salt)
	if err != nil {
		return c, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	got, err := air.CheckSensor(salt, c.TempC, c.ReadPct, 3)
	if err != nil {
		return c, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	offset, err := got.Offset()
	if err != nil {
		return c, err
	}
	c.No, c.Property, c.Visit, c.RecordedAt, c.RecordedBy = int32(len(f.visits.Checks)+1), property, at, w.At, w.By
	c.ID, c.ExpectedPct, c.TolerancePct, c.Within = visit.PartID(property, 'c', c.No), got.ExpectedPct, got.TolerancePct, got.Within
	c.AccuracyPct, c.OffsetPct, c.OffsetStandardPct = 3, offset.Value, offset.Standard
	if c.At.IsZero() {
		c.At = w.At
	}
	f.visits.Checks = append(f.visits.Checks, c)
	if r, err := f.findVisit(scope, at); err == nil {
		r.Checks = append(slices.Clone(r.Checks), c)
	}
	k.number = c.No
	f.remember(w, property, k)
	return c, nil
}

// AddPumpTest implements view.FieldRecords.
func (f *Fleet) AddPumpTest(_ context.Context, scope view.Scope, w view.Writer, property, at string, t visit.PumpTest) (visit.PumpTest, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.known(scope, property); err != nil {
		return t, err
	}
	t.Pump = cmp.Or(t.Pump, visit.Primary)
	if err := t.Check(); err != nil {
		return t, fmt.Errorf("%w: %w", view.ErrInvalid, err)
	}
	k, repeated, err := f.again(w, property, t)
	if err != nil || repeated {
		return f.visits.Tests[max(k.number-1, 0)], err
	}
	t.No, t.Property, t.Visit, t.RecordedAt, t.RecordedBy = int32(len(f.visits.Tests)+1), property, at, w.At, w.By
	t.ID = visit.PartID(property, 't', t.No)
	if t.At.IsZero() {
		t.At = w.At
	}
	f.visits.Tests = append(f.visits.Tests, t)
	if r, err := f.findVisit(scope, at); err == nil {
		r.Tests = append(slices.Clone(r.Tests), t)
	}
	k.number = t.No
	f.remember(w, property, k)
	return t, nil
}

// Withdraw implements view.FieldRecords.
func (f *Fleet) Withdraw(_ context.Context, scope view.Scope, w view.Writer, id, why string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.visits.Checks {
		if c := &f.visits.Checks[i]; c.ID == id && scope.Allows(c.Property) {
			c.WithdrawnAt, c.WithdrawnBy, c.WithdrawnWhy = w.At, w.By, why
			return f.Down
		}
	}
	for i := range f.visits.Tests {
		if t := &f.visits.Tests[i]; t.ID == id && scope.Allows(t.Property) {
			t.WithdrawnAt, t.WithdrawnBy, t.WithdrawnWhy = w.At, w.By, why
			return f.Down
		}
	}
	return cmp.Or(f.Down, view.ErrNotFound)
}

// ServicePlan implements view.ServicePlanner.
func (f *Fleet) ServicePlan(_ context.Context, scope view.Scope, q view.ServiceQuery) ([]view.ServiceItem, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if q.Property != "" {
		if err := f.known(scope, q.Property); err != nil {
			return nil, "", err
		}
	}
	var hs []visit.History
	for _, p := range f.Props {
		if scope.Allows(p.ID) && (q.Property == "" || q.Property == p.ID) && (q.Area == "" || q.Area == p.Area) {
			hs = append(hs, f.history(p))
		}
	}
	named := func(id string) (string, string) { p := f.Props[f.propertyIndex(id)]; return p.Name, p.Area }
	out, next, err := view.PlanService(hs, view.ServiceTerms(view.ShippedTerms(), Now), named, q, Now)
	return out, next, cmp.Or(f.Down, err)
}

func (f *Fleet) history(p view.Property) visit.History {
	h := visit.History{Property: p.ID, Zone: p.Zone(), Installed: p.Installed, Dehumidifier: p.Dehumidifier != nil, Pump: p.Sump != nil, Terms: p.WarrantyTerms}
	for _, pt := range p.Points {
		if slices.Contains(pt.Measures, site.RH) {
			h.Sensors = append(h.Sensors, visit.SensorHistory{Point: pt.ID})
		}
		if slices.Contains(pt.Measures, site.PumpRun) {
			h.Pump, h.Reports = true, true
		}
	}
	for _, r := range f.visits.All {
		if r.Property == p.ID && r.Open() {
			h.Open = append(h.Open, r.Visit)
		}
	}
	return h
}
