package view

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"time"

	"underkeep/api/warranty"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// ServiceQuery selects a page of what service is due.
type ServiceQuery struct {
	Property string
	Area     string
	Within   int  // days; what is due later is left out. Overdue is always in.
	ByArea   bool // by area, and by urgency in each; else by urgency
	After    string
	Limit    int
}

// ServiceItem is one task at one property.
type ServiceItem struct {
	Property string
	Name     string
	Area     string
	visit.Due
}

// ServicePlanner knows what is due where.
type ServicePlanner interface {
	ServicePlan(ctx context.Context, scope Scope, q ServiceQuery) ([]ServiceItem, string, error)
}

// PlanService orders what is due over a fleet. named gives the name and the
// area of a property, terms what was agreed for it.
func PlanService(hs []visit.History, terms func(h *visit.History) visit.Terms, named func(property string) (name, area string), q ServiceQuery, now time.Time) ([]ServiceItem, string, error) {
	var all []ServiceItem
	for i := range hs {
		h := &hs[i]
		for _, d := range visit.Plans(*h, terms(h), now) {
			if d.Days > q.Within {
				continue
			}
			name, area := named(h.Property)
			all = append(all, ServiceItem{Property: h.Property, Name: name, Area: area, Due: d})
		}
	}
	slices.SortStableFunc(all, func(a, b ServiceItem) int {
		byArea := 0
		if q.ByArea {
			byArea = cmp.Compare(a.Area, b.Area)
		}
		return cmp.Or(byArea, visit.Urgency(a.Due, b.Due), cmp.Compare(a.Property, b.Property))
	})
	from := 0
	if q.After != "" {
		n, err := strconv.Atoi(q.After)
		if err != nil || n < 0 {
			return nil, "", ErrInvalid
		}
		from = min(n, len(all))
	}
	if rest := all[from:]; len(rest) > q.Limit {
		return rest[:q.Limit], strconv.Itoa(from + q.Limit), nil
	}
	return all[from:], "", nil
}

// ServiceTerms are the intervals that each set of warranty terms asks for, those
// of its version in force on the property's day. What a set does not say, and a
// house without terms, goes by visit.DefaultTerms.
func ServiceTerms(sets []TermsVersion, now time.Time) func(h *visit.History) visit.Terms {
	var versions []warranty.Terms
	for _, v := range sets {
		versions = append(versions, v.Terms)
	}
	return func(h *visit.History) visit.Terms {
		t := visit.DefaultTerms()
		inForce, err := warranty.Resolve([]warranty.Assignment{{From: h.Installed, Terms: h.Terms}}, versions)
		if err != nil || len(inForce) == 0 { // a name that no set has is shown by the verdict
			return t
		}
		set, today := inForce[0].Terms, site.DateOf(now.In(h.Zone))
		for _, f := range inForce {
			if !today.Before(f.From) {
				set = f.Terms
			}
		}
		if s := set.Service; s != nil {
			t.ServiceDays = wholeDays(s.Interval)
			for _, k := range s.Visits {
				t.ServiceKinds = append(t.ServiceKinds, visit.Kind(k))
			}
		}
		if c := set.SensorCheck; c != nil {
			t.SensorCheckDays = wholeDays(c.Interval)
		}
		return t
	}
}

func wholeDays(d time.Duration) int { return int(d / (24 * time.Hour)) }
