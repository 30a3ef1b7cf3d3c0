package viewtest

import (
	"context"
	"time"

	"underkeep/alerting"
	"underkeep/api/view"
	"underkeep/store/site"
)

// Descriptions implements view.Settings.
func (f *Fleet) Descriptions(ctx context.Context, scope view.Scope, property string) ([]view.Description, error) {
	p, err := f.Property(ctx, scope, property)
	if err != nil {
		return nil, err
	}
	return []view.Description{{Document: string(site.FormatProperty(p.Property))}}, nil
}

// RehearseLimits implements view.Settings: the property's alarms against those
// that are left when conditions are off, or the limit of humidity above 75 %RH.
func (f *Fleet) RehearseLimits(ctx context.Context, scope view.Scope, property string, limits []byte, from, to time.Time) (view.Rehearsed, error) {
	p, err := f.Property(ctx, scope, property)
	if err != nil {
		return view.Rehearsed{}, err
	}
	l, err := view.LimitsOver(limits, p.Limits)
	if err != nil {
		return view.Rehearsed{}, err
	}
	out := view.Rehearsed{From: from, To: to, Readings: 120_000}
	for _, a := range f.AllAlarms {
		if a.Property != property {
			continue
		}
		out.Own = append(out.Own, a.Alarm)
		if l.Enabled(a.Condition) && (a.Condition != site.HumidityHigh || l.Value(site.HumidityHigh, "above") <= 75) {
			out.Changed = append(out.Changed, a.Alarm)
		}
	}
	if l.Value(site.WoodWet, "low") < 12 {
		out.Changed = append(out.Changed, alerting.Alarm{Property: property, Condition: site.WoodWet, Point: "sill", Priority: alerting.Low, RaisedAt: to.Add(-5 * time.Hour)})
	}
	return out, nil
}

// ApplyLimits implements view.Settings.
func (f *Fleet) ApplyLimits(ctx context.Context, scope view.Scope, property string, limits []byte, _ site.Date, _ string) (view.Property, error) {
	p, err := f.Property(ctx, scope, property)
	if err != nil {
		return p, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	l, err := view.LimitsOver(limits, p.Limits)
	if err != nil {
		return p, err
	}
	f.Props[f.propertyIndex(property)].Limits = l
	p.Limits = l
	return p, f.Down
}
