package view

import (
	"context"
	"time"

	"underkeep/store/site"
	"underkeep/store/visit"
)

// Writer is who writes to a visit. A write with the same Key as one before
// changes nothing; with another content it is ErrConflict. Key "": none.
type Writer struct {
	By     string
	Person int32 // 0: a program
	Key    string
	At     time.Time
}

// VisitQuery selects a page of visits: open ones by their day, then ended ones,
// latest first.
type VisitQuery struct {
	Property     string
	States       []visit.State // empty for all
	Kind         visit.Kind    // "" any
	Assigned     int32         // a person; 0 any
	AssignedName string        // or by name; "" any
	Crew         string
	Area         string
	DueBy        *site.Date
	After        string
	Limit        int
}

// RecordQuery selects sensor checks or pump tests of a property by their time,
// in [From, To); zero: no bound.
type RecordQuery struct {
	Property  string
	From, To  time.Time
	Withdrawn bool // also those withdrawn
}

// Visits knows who was at a property, and who is to go.
type Visits interface {
	Visits(ctx context.Context, scope Scope, q VisitQuery) ([]visit.Visit, string, error)
	Visit(ctx context.Context, scope Scope, id string) (visit.Record, error)
	// The writes answer with the visit as it then stands. ErrConflict when its
	// state does not allow what was asked.
	PlanVisit(ctx context.Context, scope Scope, w Writer, p visit.Plan) (visit.Record, error)
	ChangeVisit(ctx context.Context, scope Scope, w Writer, id string, c visit.Change) (visit.Record, error)
	StartVisit(ctx context.Context, scope Scope, w Writer, id string, s visit.Start) (visit.Record, error)
	RecordFindings(ctx context.Context, scope Scope, w Writer, id string, f visit.Findings) (visit.Record, error)
	SignOff(ctx context.Context, scope Scope, w Writer, id string, f visit.Findings) (visit.Record, error)
	CancelVisit(ctx context.Context, scope Scope, w Writer, id, why string) (visit.Record, error)
	AddHandReading(ctx context.Context, scope Scope, w Writer, id string, h visit.HandReading) (visit.Record, error)
	AddPart(ctx context.Context, scope Scope, w Writer, id string, p visit.Part) (visit.Record, error)
	AddPhoto(ctx context.Context, scope Scope, w Writer, id string, p visit.Photo) (visit.Photo, error)
	// Photo with its images.
	Photo(ctx context.Context, scope Scope, id string) (visit.Photo, error)
	// Assignable are the people who may be sent to a property.
	Assignable(ctx context.Context, scope Scope, property string) ([]Assignee, error)
}

// Assignee is somebody who may be sent to a property.
type Assignee struct {
	Person int32
	Name   string
}

// FieldRecords are sensor checks and pump tests, at visits and outside.
type FieldRecords interface {
	SensorChecks(ctx context.Context, scope Scope, q RecordQuery) ([]visit.SensorCheck, error)
	PumpTests(ctx context.Context, scope Scope, q RecordQuery) ([]visit.PumpTest, error)
	// AddSensorCheck works the outcome out. at is a visit's id, or "".
	AddSensorCheck(ctx context.Context, scope Scope, w Writer, property, at string, c visit.SensorCheck) (visit.SensorCheck, error)
	AddPumpTest(ctx context.Context, scope Scope, w Writer, property, at string, t visit.PumpTest) (visit.PumpTest, error)
	// Withdraw takes back a check or test that was recorded in error.
	Withdraw(ctx context.Context, scope Scope, w Writer, id, why string) error
}
