package view

import (
	"context"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// Settings knows how properties are described, and tries other limits on them.
type Settings interface {
	// Descriptions are the property files in force, by the day from which they
	// hold.
	Descriptions(ctx context.Context, scope Scope, property string) ([]Description, error)
	// RehearseLimits runs the evaluator over the readings received in [from, to)
	// twice: under the limits of the property, and with those of the file (as
	// under `limits:` of a property file) laid over them. FileErrors when the
	// file is refused, ErrBusy while another rehearsal runs.
	RehearseLimits(ctx context.Context, scope Scope, property string, limits []byte, from, to time.Time) (Rehearsed, error)
	// ApplyLimits lays the limits of the file over the property's own from the
	// day on: a new version of its description, in which comments are not kept.
	ApplyLimits(ctx context.Context, scope Scope, property string, limits []byte, from site.Date, by string) (Property, error)
}

// Description is one property file in force.
type Description struct {
	From     *site.Date // nil: from the start
	Document string
}

// Rehearsed is what two sets of limits raise over the same readings. Alarms
// suppressed by design are among them.
type Rehearsed struct {
	From, To     time.Time
	Readings     int
	Own, Changed []alerting.Alarm
}

// LimitsOver reads a file of limits and lays them over others; FileErrors when
// it cannot.
func LimitsOver(file []byte, base site.Limits) (site.Limits, error) {
	l, err := site.ParseLimits(file, "limits")
	if err != nil {
		return l, FileErrorsOf(err)
	}
	if l, err = l.Over(base); err != nil {
		return l, FileErrors{{Problem: err.Error()}}
	}
	return l, nil
}
