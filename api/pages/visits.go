package pages

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/store/site"
	field "underkeep/store/visit"
)

func (p *pages) visitRoutes(r chi.Router) {
	r.Get("/visits", p.visits)
	r.Get("/visits/plan", p.planPage)
	r.Post("/visits/plan", p.plan)
	r.Get("/visits/day-sheet", p.daySheet)
	r.Get("/visits/{id}", p.visit)
	r.Get("/visits/{id}/{step}", p.step)
	r.Post("/visits/{id}/start", p.write(view.RecordVisits, p.startVisit))
	r.Post("/visits/{id}/pump", p.write(view.RecordVisits, p.pumpTest))
	r.Post("/visits/{id}/salt", p.write(view.RecordVisits, p.saltCheck))
	r.Post("/visits/{id}/readings", p.write(view.RecordVisits, p.handReading))
	r.Post("/visits/{id}/parts", p.write(view.RecordVisits, p.partUsed))
	r.Post("/visits/{id}/finish", p.write(view.RecordVisits, p.finish))
	r.Post("/visits/{id}/change", p.write(view.PlanVisits, p.changePlan))
	r.Post("/visits/{id}/cancel", p.write(view.PlanVisits, p.cancelVisit))
	r.Get("/photos/{id}", p.photo)
	r.Get("/service", p.service)
}

// visitLine is one visit in a list.
type visitLine struct {
	ID, Property, Name, Area string
	Kind, State, Reason      string
	Due                      string // the day, and how it stands to today
	Overdue                  bool
	Who, Crew                string
	Bring                    string
	Cautions                 []string // of what is wrong there
	Wrong                    []string // what is wrong there now, in a line each
	Findings, Ended          string
}

func (p *pages) line(v field.Visit) visitLine {
	out := visitLine{ID: v.ID, Property: v.Property, Name: v.Name, Area: v.Area, Kind: kindWords[v.Kind], State: visitStateWords[v.State],
		Reason: v.Reason, Who: v.AssignedName, Crew: v.Crew, Findings: v.Findings}
	if v.DueOn != nil {
		days := field.DaysBetween(site.DateOf(p.Now()), *v.DueOn)
		out.Due = v.DueOn.In(time.UTC).Format("Mon Jan 2")
		if v.Open() {
			out.Due += ", " + dueWords(days)
			out.Overdue = days < 0
		}
	}
	if !v.EndedAt.IsZero() {
		out.Ended = v.EndedAt.Format("Jan 2, 2006")
	}
	return out
}

// equip adds what the diagnosis says to bring and to beware of.
func (p *pages) equip(r *http.Request, line *visitLine) error {
	prop, err := p.Source.Property(r.Context(), visitOf(r).Scope(), line.Property)
	if err != nil {
		return err
	}
	line.Name, line.Area = prop.Name, prop.Area
	line.Bring = bring(prop.Open)
	t := p.teller(prop, visitOf(r).Principal, frame{})
	for _, a := range prop.Open {
		if a.Over() {
			continue
		}
		line.Wrong = append(line.Wrong, t.alarm(a).Why())
		for _, c := range cautions(a.Condition, a.Causes) {
			if !slices.Contains(line.Cautions, c) {
				line.Cautions = append(line.Cautions, c)
			}
		}
	}
	line.Wrong = slices.Compact(line.Wrong)
	return nil
}

type visitsPage struct {
	frame
	Mine    []visitLine
	Others  []visitLine
	Manager bool
	Crews   []string
	Next    string
	Day     string
}

const visitsOnAPage = 50

// visits is a technician's day, and the manager's list of what is open.
func (p *pages) visits(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	if who.Role == view.OwnerRole {
		http.Redirect(w, r, "/home", http.StatusSeeOther)
		return
	}
	after, err := base64.RawURLEncoding.DecodeString(r.URL.Query().Get("after"))
	if err != nil {
		p.fail(w, r, view.ErrInvalid)
		return
	}
	open := []field.State{field.UnderWay, field.Planned}
	found, next, err := p.Source.Visits(r.Context(), who.Scope(), view.VisitQuery{States: open, After: string(after), Limit: visitsOnAPage})
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := visitsPage{frame: p.frame(r, "Visits"), Manager: who.May(view.PlanVisits), Day: p.Now().Format("Monday, January 2")}
	self := personOf(who.Principal)
	for _, v := range found {
		if self == 0 || v.AssignedTo != self {
			page.Others = append(page.Others, p.line(v))
		}
		if v.Crew != "" && !slices.Contains(page.Crews, v.Crew) {
			page.Crews = append(page.Crews, v.Crew)
		}
	}
	if self != 0 && len(after) == 0 { // asked for by themselves, so that none of them stands on a later page
		page.Mine, err = p.visitsOf(r, self, open)
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	if next != "" {
		page.Next = "/visits?after=" + base64.RawURLEncoding.EncodeToString([]byte(next))
	}
	slices.Sort(page.Crews)
	p.render(w, r, http.StatusOK, "visits.html", page)
}

// visitsOf are those of one person with what they need there.
func (p *pages) visitsOf(r *http.Request, person int32, states []field.State) ([]visitLine, error) {
	found, _, err := p.Source.Visits(r.Context(), visitOf(r).Scope(), view.VisitQuery{States: states, Assigned: person, Limit: visitsOnAPage})
	var out []visitLine
	for _, v := range found {
		line := p.line(v)
		if err == nil {
			err = p.equip(r, &line)
		}
		out = append(out, line)
	}
	return out, err
}

// personOf is the number of the person who is signed in; 0 for a token.
func personOf(p view.Principal) int32 {
	n, err := strconv.ParseInt(strings.TrimPrefix(p.Actor, "person "), 10, 32)
	if err != nil || !strings.HasPrefix(p.Actor, "person ") {
		return 0
	}
	return int32(n)
}

// visitsOnAProperty are the latest that a property's page lists.
const visitsOnAProperty = 6

// addVisits lists the visits of a property, open ones first.
func (p *pages) addVisits(ctx context.Context, page *propertyPage, prop view.Property, who visit, _ string) error {
	if !who.May(view.ReadVisits) {
		return nil
	}
	found, _, err := p.Source.Visits(ctx, who.Scope(), view.VisitQuery{Property: prop.ID, Limit: visitsOnAProperty})
	for _, v := range found {
		line := p.line(v)
		if who.Role == view.OwnerRole {
			line.Who, line.Crew = "", ""
		}
		page.Visits = append(page.Visits, line)
	}
	page.MayPlan = who.May(view.PlanVisits)
	return err
}

type daySheetPage struct {
	frame
	Crew, Day string
	Lines     []visitLine
	More      bool // there are more than fit on a day sheet
}

// daySheet is what one crew takes along, on paper.
func (p *pages) daySheet(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	if !who.May(view.RecordVisits) {
		p.fail(w, r, view.ErrNotFound)
		return
	}
	q := r.URL.Query()
	today := site.DateOf(p.Now())
	day, err := site.ParseDate(q.Get("day"))
	if q.Get("day") == "" {
		day, err = today, nil
	}
	if err != nil {
		p.fail(w, r, view.ErrInvalid)
		return
	}
	ask := view.VisitQuery{States: []field.State{field.UnderWay, field.Planned}, Crew: cut(q.Get("crew"), 100), AssignedName: cut(q.Get("who"), 200), DueBy: &day, Limit: 30}
	found, next, err := p.Source.Visits(r.Context(), who.Scope(), ask)
	page := daySheetPage{frame: p.frame(r, "Day sheet"), Crew: ask.Crew + ask.AssignedName, Day: day.In(time.UTC).Format("Monday, January 2, 2006"), More: next != ""}
	for _, v := range found {
		line := p.line(v)
		if err == nil {
			err = p.equip(r, &line)
		}
		page.Lines = append(page.Lines, line)
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.render(w, r, http.StatusOK, "day-sheet.html", page)
}

type planPage struct {
	frame
	Key      string
	Property string
	Name     string
	Alarm    string
	Why      *alarmShown
	In       url.Values
	Error    string
	Kinds    []option
	People   []option
	Crews    []string
}

type option struct {
	Value, Text string
	Chosen      bool
}

// planPage asks what is needed to plan a visit; an alarm or a task that asks for
// it has filled in most.
func (p *pages) planPage(w http.ResponseWriter, r *http.Request) {
	p.showPlan(w, r, http.StatusOK, r.URL.Query(), "")
}

func (p *pages) showPlan(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong string) {
	who := visitOf(r)
	if !who.May(view.PlanVisits) {
		p.fail(w, r, view.ErrNotFound)
		return
	}
	prop, err := p.Source.Property(r.Context(), who.Scope(), in.Get("property"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := planPage{frame: p.frame(r, "Plan a visit"), Key: newKey(), Property: prop.ID, Name: prop.Name, In: in, Error: wrong}
	page.Refresh = false
	kind := field.Kind(in.Get("kind"))
	for _, a := range prop.Open {
		if a.ID == in.Get("alarm") {
			shown := p.teller(prop, who.Principal, page.frame).alarm(a)
			page.Why, page.Alarm = &shown, a.ID
			if in.Get("reason") == "" {
				in.Set("reason", shown.Why())
			}
			if kind == "" {
				kind = field.Repair
			}
		}
	}
	for _, k := range field.Kinds() {
		page.Kinds = append(page.Kinds, option{string(k), kindWords[k], k == kind})
	}
	people, err := p.Source.Assignable(r.Context(), who.Scope(), prop.ID)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for _, a := range people {
		n := strconv.Itoa(int(a.Person))
		page.People = append(page.People, option{n, a.Name, n == in.Get("assigned")})
	}
	p.render(w, r, status, "visit-plan.html", page)
}

func newKey() string {
	b := make([]byte, 12)
	_, _ = rand.Read(b) // never fails since Go 1.24
	return base64.RawURLEncoding.EncodeToString(b)
}

func (p *pages) plan(w http.ResponseWriter, r *http.Request) {
	if !p.ownForm(w, r) {
		return
	}
	who := visitOf(r)
	if !who.May(view.PlanVisits) {
		p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role does not plan visits.")
		return
	}
	in := r.PostForm
	person, _ := strconv.Atoi(in.Get("assigned"))
	plan := field.Plan{Property: in.Get("property"), Kind: field.Kind(in.Get("kind")), Reason: cut(in.Get("reason"), 1000), Crew: cut(in.Get("crew"), 100),
		Alarm: in.Get("alarm"), Origin: field.Origin(in.Get("origin")), AssignedTo: int32(person)}
	if day := in.Get("due"); day != "" {
		d, err := site.ParseDate(day)
		if err != nil {
			p.showPlan(w, r, http.StatusBadRequest, in, "Day: "+err.Error())
			return
		}
		plan.DueOn = &d
	}
	v, err := p.Source.PlanVisit(r.Context(), who.Scope(), p.writer(r), plan)
	switch {
	case errors.Is(err, view.ErrInvalid):
		p.showPlan(w, r, http.StatusBadRequest, in, sayWrong(err))
	case err != nil:
		p.fail(w, r, err)
	default:
		http.Redirect(w, r, "/visits/"+v.ID, http.StatusSeeOther)
	}
}

func (p *pages) writer(r *http.Request) view.Writer {
	return view.Writer{By: visitOf(r).Name, Key: cut(r.PostFormValue("key"), 100), At: p.Now().UTC()}
}

// sayWrong is what a person can do something about: the last part of an error
// says what is wrong, those before it where.
func sayWrong(err error) string {
	text := err.Error()
	for _, noise := range []string{": " + view.ErrInvalid.Error(), view.ErrInvalid.Error() + ": ", "invalid: ", ": invalid"} {
		text = strings.ReplaceAll(text, noise, "")
	}
	if text == "" {
		return "This cannot be meant."
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

func (p *pages) photo(w http.ResponseWriter, r *http.Request) {
	ph, err := p.Source.Photo(r.Context(), visitOf(r).Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	body := ph.Image
	if r.URL.Query().Get("size") == "small" {
		body = ph.Thumb
	}
	w.Header().Set("Content-Type", ph.MediaType)
	w.Header().Set("Cache-Control", "private, max-age=3600")
	_, _ = w.Write(body) // the client may be gone
}

type servicePage struct {
	frame
	Rows    []serviceRow
	Areas   []string
	Area    string
	ByArea  bool
	Within  int
	Spans   []option
	Next    string
	MayPlan bool
}

type serviceRow struct {
	Property, Name, Area string
	Task, Due, On, Since string
	Overdue, Wet         bool
	Points               string
	Visit                string
	Plan                 string // address of the form, filled in
}

// service lists what is due over the fleet.
func (p *pages) service(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	if !who.May(view.ReadVisits) || who.Role == view.OwnerRole {
		p.fail(w, r, view.ErrNotFound)
		return
	}
	q := r.URL.Query()
	within, err := strconv.Atoi(q.Get("within"))
	if err != nil || within < 0 || within > 731 {
		within = 30
	}
	after, err := base64.RawURLEncoding.DecodeString(q.Get("after"))
	if err != nil {
		p.fail(w, r, view.ErrInvalid)
		return
	}
	ask := view.ServiceQuery{Area: cut(q.Get("area"), 80), ByArea: q.Get("order") == "area", Within: within, After: string(after), Limit: rowsOnToday}
	found, next, err := p.Source.ServicePlan(r.Context(), who.Scope(), ask)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	counts, err := p.Source.FleetCounts(r.Context(), who.Scope())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := servicePage{frame: p.frame(r, "Service due"), Areas: counts.Areas, Area: ask.Area, ByArea: ask.ByArea, Within: within, MayPlan: who.May(view.PlanVisits)}
	for _, s := range []option{{"0", "overdue", false}, {"30", "within a month", false}, {"91", "within three months", false}, {"366", "within a year", false}} {
		s.Chosen = s.Value == strconv.Itoa(within)
		page.Spans = append(page.Spans, s)
	}
	for _, d := range found {
		page.Rows = append(page.Rows, serviceLine(d))
	}
	if next != "" {
		q.Set("after", base64.RawURLEncoding.EncodeToString([]byte(next)))
		page.Next = "/service?" + q.Encode()
	}
	p.render(w, r, http.StatusOK, "service.html", page)
}

func serviceLine(d view.ServiceItem) serviceRow {
	row := serviceRow{Property: d.Property, Name: d.Name, Area: d.Area, Task: taskWords[d.Task], Due: dueWords(d.Days), On: d.On.In(time.UTC).Format("Jan 2, 2006"),
		Overdue: d.Overdue(), Wet: d.Wet, Points: strings.Join(d.Points, ", "), Visit: d.Visit, Since: "since installation"}
	if !d.Since.IsZero() {
		row.Since = "last " + d.Since.Format("Jan 2, 2006")
	}
	v := url.Values{"property": {d.Property}, "kind": {string(d.Task.Kind())}, "origin": {string(d.Task.Origin())}, "due": {d.On.String()}, "reason": {reasonFor(d)}}
	row.Plan = "/visits/plan?" + v.Encode()
	return row
}

func reasonFor(d view.ServiceItem) string {
	switch d.Task {
	case field.TaskUnproven:
		return "No pump cycle and no test for 90 days"
	case field.TaskSensorCheck:
		return "Sensor check is due: " + strings.Join(d.Points, ", ")
	}
	return taskWords[d.Task] + " is due"
}
