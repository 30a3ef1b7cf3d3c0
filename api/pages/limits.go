package pages

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/alerting"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// limitsPage lists the conditions with their numbers; limitsOfPage changes one.
type limitsPage struct {
	frame
	ID, Name, Said string
	Conditions     []conditionShown
}

type conditionShown struct {
	Name, Title string
	Off         bool
	Numbers     []limitShown
}

type limitShown struct {
	Param, Means, Value, Usual string
	Text                       string // in the form
	Wrong                      string
}

func (p *pages) limits(w http.ResponseWriter, r *http.Request) {
	prop, err := p.Source.Property(r.Context(), visitOf(r).Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := limitsPage{frame: p.still(r, "Limits of "+prop.Name), ID: prop.ID, Name: prop.Name}
	for _, c := range site.Conditions() {
		shown := conditionOf(prop, c)
		if string(c) == r.URL.Query().Get("done") {
			page.Said = "Changed: " + shown.Title + "."
		}
		page.Conditions = append(page.Conditions, shown)
	}
	p.render(w, r, http.StatusOK, "limits.html", page)
}

func conditionOf(prop view.Property, c site.Condition) conditionShown {
	out := conditionShown{Name: string(c), Title: wordsFor(c).Title, Off: !prop.Limits.Enabled(c)}
	for _, l := range site.LimitSpecs() {
		if l.Condition != c {
			continue
		}
		value, usual := prop.Limits.Value(c, l.Param), l.Default
		shown := limitShown{Param: l.Param, Means: l.Means, Value: units.FormatExact(l.Dimension, value, prop.Units)}
		if value != usual {
			shown.Usual = units.FormatExact(l.Dimension, usual, prop.Units)
		}
		shown.Text = shown.Value
		out.Numbers = append(out.Numbers, shown)
	}
	return out
}

type limitsOfPage struct {
	frame
	ID, PropertyName string
	Title            string
	conditionShown
	Wrong      []string // what no field is to blame for
	Days       int
	Choices    []int
	Rehearsed  *rehearsedShown
	Unrehearse string // why there is no rehearsal
	Same       bool   // nothing was changed in the form
}

// rehearsalDays are how far back a rehearsal may go.
var rehearsalDays = []int{7, 30, 90}

// limitsOf shows the numbers of one condition and, once some were changed, what
// they would have raised. It changes nothing.
func (p *pages) limitsOf(w http.ResponseWriter, r *http.Request) {
	prop, page, err := p.limitsForm(r)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	q := r.URL.Query()
	if !q.Has("days") {
		p.render(w, r, http.StatusOK, "limits-of.html", page)
		return
	}
	file := page.fill(q)
	if page.Same = file == ""; page.Same {
		p.render(w, r, http.StatusOK, "limits-of.html", page)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), rehearsalTime)
	defer cancel()
	to := p.Now()
	from := later(to.Add(-time.Duration(page.Days)*24*time.Hour), installedAt(prop.Property, zoneOf(prop.Property)))
	out, err := p.Source.RehearseLimits(ctx, visitOf(r).Scope(), prop.ID, []byte(file), from, to)
	status := http.StatusOK
	switch wrong, refused := p.refusal(err); {
	case refused:
		page.blame(wrong)
		status = http.StatusUnprocessableEntity
	case errors.Is(err, view.ErrBusy):
		page.Unrehearse = "Another rehearsal is under way. Try again in a minute."
	case errors.Is(err, context.DeadlineExceeded) && r.Context().Err() == nil:
		page.Unrehearse = "That took too long. Choose fewer days."
	case err != nil:
		p.fail(w, r, err)
		return
	default:
		page.Rehearsed = p.rehearsedWords(prop, out)
	}
	p.render(w, r, status, "limits-of.html", page)
}

func (p *pages) limitsForm(r *http.Request) (view.Property, *limitsOfPage, error) {
	prop, err := p.Source.Property(r.Context(), visitOf(r).Scope(), chi.URLParam(r, "id"))
	if err != nil {
		return prop, nil, err
	}
	c := site.Condition(chi.URLParam(r, "condition"))
	if !slices.Contains(site.Conditions(), c) {
		return prop, nil, view.ErrNotFound
	}
	shown := conditionOf(prop, c)
	page := &limitsOfPage{frame: p.still(r, shown.Title), ID: prop.ID, PropertyName: prop.Name, Title: shown.Title, conditionShown: shown, Days: 30, Choices: rehearsalDays}
	return prop, page, nil
}

// fill takes what was written into the form, and says it as a file of limits;
// "" when nothing differs from what is in force.
func (l *limitsOfPage) fill(v url.Values) string {
	if days, err := strconv.Atoi(v.Get("days")); err == nil && slices.Contains(rehearsalDays, days) {
		l.Days = days
	}
	wasOff := l.Off
	l.Off = v.Get("watch") == "off"
	var changed []string
	for i := range l.Numbers {
		n := &l.Numbers[i]
		if v.Has(n.Param) {
			n.Text = cut(strings.TrimSpace(v.Get(n.Param)), 40)
		}
		if n.Text != n.Value || wasOff { // a number switches a condition on again
			quoted, _ := json.Marshal(n.Text) // text always can
			changed = append(changed, n.Param+": "+string(quoted))
		}
	}
	switch {
	case l.Off && wasOff:
		return ""
	case l.Off:
		return l.Name + ": off\n"
	case len(changed) == 0:
		return ""
	}
	return l.Name + ":\n  " + strings.Join(changed, "\n  ") + "\n"
}

// blame puts what is wrong beside the field that it is about.
func (l *limitsOfPage) blame(wrong view.FileErrors) {
	for _, e := range wrong {
		param := e.Field[strings.LastIndex(e.Field, ".")+1:]
		i := slices.IndexFunc(l.Numbers, func(n limitShown) bool { return n.Param == param })
		if i < 0 {
			l.Wrong = append(l.Wrong, e.Problem)
			continue
		}
		l.Numbers[i].Wrong = e.Problem
	}
}

// applyLimits puts changed limits in force from today, by the house's calendar.
func (p *pages) applyLimits(w http.ResponseWriter, r *http.Request) {
	if !p.ownForm(w, r) {
		return
	}
	prop, page, err := p.limitsForm(r)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	file := page.fill(r.PostForm)
	back := "/settings/properties/" + prop.ID + "/limits"
	if file == "" {
		http.Redirect(w, r, back, http.StatusSeeOther)
		return
	}
	y, m, d := p.Now().In(zoneOf(prop.Property)).Date()
	v := visitOf(r)
	_, err = p.Source.ApplyLimits(r.Context(), v.Scope(), prop.ID, []byte(file), site.Date{Year: y, Month: m, Day: d}, v.Name)
	if wrong, ok := p.refusal(err); ok {
		page.blame(wrong)
		p.render(w, r, http.StatusUnprocessableEntity, "limits-of.html", page)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	http.Redirect(w, r, back+"?done="+page.Name, http.StatusSeeOther)
}

// rehearsedShown is what two sets of limits came to, side by side.
type rehearsedShown struct {
	Days, Readings string
	Rows           []comparedRow
	Gone, Besides  []string // alarms that only one side has
	More           int
	Same           bool
}

type comparedRow struct{ Title, Own, Changed string }

const mostDifferences = 12

func (p *pages) rehearsedWords(prop view.Property, r view.Rehearsed) *rehearsedShown {
	out := &rehearsedShown{Days: plural(int(r.To.Sub(r.From).Hours()/24), "day"), Readings: thousands(r.Readings)}
	for _, c := range site.Conditions() {
		own, changed := tallyWords(r.Own, c, r.To), tallyWords(r.Changed, c, r.To)
		if own != changed || own != noAlarm {
			out.Rows = append(out.Rows, comparedRow{wordsFor(c).Title, own, changed})
		}
	}
	now, zone := p.Now(), zoneOf(prop.Property)
	only := func(some, others []alerting.Alarm) (list []string) {
		for _, a := range some {
			if a.SuppressedBy != "" || slices.ContainsFunc(others, func(o alerting.Alarm) bool { return sameAlarm(a, o) }) {
				continue
			}
			if len(list) == mostDifferences {
				out.More++
				continue
			}
			at := ""
			if a.Point != "" {
				at = " at " + a.Point
			}
			list = append(list, fmt.Sprintf("%s: %s%s, %s", clock(a.RaisedAt, now, zone), wordsFor(a.Condition).Title, at, a.Priority))
		}
		return list
	}
	out.Gone, out.Besides = only(r.Own, r.Changed), only(r.Changed, r.Own)
	out.Same = len(out.Gone)+len(out.Besides) == 0
	return out
}

func sameAlarm(a, b alerting.Alarm) bool {
	return b.SuppressedBy == "" && a.Condition == b.Condition && a.Point == b.Point && a.RaisedAt.Equal(b.RaisedAt) && a.Priority == b.Priority && a.ClearedAt.Equal(b.ClearedAt)
}

const noAlarm = "none"

// tallyWords sums up the alarms of one condition. Those suppressed by design,
// of which nobody is told, are left out.
func tallyWords(alarms []alerting.Alarm, c site.Condition, end time.Time) string {
	n, held := 0, time.Duration(0)
	for _, a := range alarms {
		if a.Condition != c || a.SuppressedBy != "" {
			continue
		}
		until := later(a.ClearedAt, a.WithdrawnAt)
		if until.IsZero() {
			until = end
		}
		n, held = n+1, held+max(0, until.Sub(a.RaisedAt))
	}
	if n == 0 {
		return noAlarm
	}
	return plural(n, "alarm") + ", " + lasting(held) + " in all"
}

func thousands(n int) string {
	text := strconv.Itoa(n)
	for i := len(text) - 3; i > 0; i -= 3 {
		text = text[:i] + "," + text[i:]
	}
	return text
}
