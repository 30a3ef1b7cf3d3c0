package viewtest

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"underkeep/alerting"
	"underkeep/api/view"
	"underkeep/store/site"
)

func (f *Fleet) withAlarms(p view.Property) view.Property {
	p.Open = nil
	for _, a := range f.AllAlarms {
		if a.Property == p.ID && a.State != view.Normal && a.State != view.Suppressed {
			p.Open = append(p.Open, a)
		}
	}
	slices.SortStableFunc(p.Open, view.MoreUrgent)
	return p
}

// Properties implements view.Fleet.
func (f *Fleet) Properties(_ context.Context, scope view.Scope, q view.PropertyQuery) ([]view.Property, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.Property
	for _, p := range f.Props {
		if p.ID <= q.After || !f.selected(scope, p, q) {
			continue
		}
		if len(out) == q.Limit {
			return out, out[len(out)-1].ID, f.Down
		}
		out = append(out, f.withAlarms(p))
	}
	return out, "", f.Down
}

func (f *Fleet) selected(scope view.Scope, p view.Property, q view.PropertyQuery) bool {
	text := strings.ToLower(p.ID + " " + p.Name + " " + p.Area)
	return scope.Allows(p.ID) && strings.Contains(text, strings.ToLower(q.Search)) && (q.Area == "" || q.Area == p.Area)
}

// Urgent implements view.Fleet.
func (f *Fleet) Urgent(_ context.Context, scope view.Scope, q view.PropertyQuery) ([]view.Property, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var all []view.Property
	for _, p := range f.Props {
		if p := f.withAlarms(p); f.selected(scope, p, q) && !(q.Lone && joined(p)) && f.inEvent(p, q.Regional) {
			all = append(all, p)
		}
	}
	slices.SortStableFunc(all, moreUrgent)
	start := 0
	if q.After != "" {
		var err error
		if start, err = strconv.Atoi(q.After); err != nil || start > len(all) {
			return nil, "", fmt.Errorf("cursor: %w", view.ErrInvalid)
		}
	}
	end := min(start+q.Limit, len(all))
	next := ""
	if end < len(all) {
		next = strconv.Itoa(end)
	}
	return all[start:end], next, f.Down
}

// joined says that all alarms of a property are part of regional events, none
// of them urgent.
func joined(p view.Property) bool {
	return len(p.Open) > 0 && !slices.ContainsFunc(p.Open, func(a view.Alarm) bool {
		return a.RegionalEvent == "" || a.Priority == alerting.Urgent
	})
}

func (f *Fleet) inEvent(p view.Property, id string) bool {
	return id == "" || slices.ContainsFunc(f.Events, func(e view.RegionalEvent) bool {
		return e.ID == id && slices.ContainsFunc(e.Members, func(m view.RegionalMember) bool { return m.Property == p.ID })
	})
}

func moreUrgent(a, b view.Property) int {
	if c := cmp.Compare(b.Priority(), a.Priority()); c != 0 || a.Priority() == 0 {
		return c
	}
	return a.Open[0].RaisedAt.Compare(b.Open[0].RaisedAt)
}

// FleetCounts implements view.Fleet.
func (f *Fleet) FleetCounts(_ context.Context, scope view.Scope) (view.Counts, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var c view.Counts
	for _, p := range f.Props {
		if !scope.Allows(p.ID) {
			continue
		}
		c.Properties++
		c.ByPriority[f.withAlarms(p).Priority()]++
		if p.Area != "" && !slices.Contains(c.Areas, p.Area) {
			c.Areas = append(c.Areas, p.Area)
		}
	}
	slices.Sort(c.Areas)
	return c, f.Down
}

// Property implements view.Fleet.
func (f *Fleet) Property(_ context.Context, scope view.Scope, id string) (view.Property, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, p := range f.Props {
		if p.ID == id && scope.Allows(id) && f.Down == nil {
			return f.withAlarms(p), nil
		}
	}
	return view.Property{}, cmp.Or(f.Down, view.ErrNotFound)
}

// Register implements view.Fleet for files of two lines, `property: id` and
// `name: text`; anything else is refused with its line.
func (f *Fleet) Register(_ context.Context, file []byte, _ string) (view.Property, bool, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	p := view.Property{Property: site.Property{Timezone: "America/New_York", Units: site.US}}
	for i, line := range strings.Split(strings.TrimSpace(string(file)), "\n") {
		field, value, _ := strings.Cut(line, ": ")
		switch field {
		case "property":
			p.ID = value
		case "name":
			p.Name = value
		default:
			return p, false, view.FileErrors{{Line: i + 1, Field: field, Problem: "unknown field; known: property, name"}}
		}
	}
	at, found := slices.BinarySearchFunc(f.Props, p.ID, func(p view.Property, id string) int { return cmp.Compare(p.ID, id) })
	if found {
		f.Props[at].Name = p.Name
		return f.Props[at], false, f.Down
	}
	p.Installed = site.Date{Year: 2026, Month: 7, Day: 1}
	f.Props = slices.Insert(f.Props, at, p)
	return p, true, f.Down
}

// Gateways implements view.Fleet.
func (f *Fleet) Gateways(_ context.Context, scope view.Scope, property string) ([]view.Gateway, error) {
	if !scope.Allows(property) {
		return nil, view.ErrNotFound
	}
	return f.GatewaysOf[property], f.Down
}
