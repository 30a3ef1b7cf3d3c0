package pages

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/signin"
	"underkeep/api/view"
)

// roleWords are what a role is called, and what it may.
var roleWords = []string{
	string(view.Manager), "manager: every write", string(view.Technician), "technician: visits, answers to alarms", string(view.OwnerRole), "owner: reads, acknowledges",
	string(view.Warranty), "warranty desk: reads", string(view.Operator), "operator: the service, no house",
}

func (p *pages) peopleRoutes(r chi.Router) {
	r.Get("/settings/people", p.people)
	r.Get("/settings/people/new", p.newPerson)
	r.Post("/settings/people", p.posted(p.addPerson))
	r.Get("/settings/people/{id}", p.person)
	r.Post("/settings/people/{id}", p.posted(p.changePerson))
	r.Post("/settings/people/{id}/invite", p.posted(p.invite))
	r.Post("/settings/people/{id}/lock", p.posted(p.lock(true)))
	r.Post("/settings/people/{id}/unlock", p.posted(p.lock(false)))
	r.Post("/settings/people/{id}/sessions/{session}/end", p.posted(p.endSessionOf))
}

type peoplePage struct {
	frame
	Rows     []personRow
	Roles    []option
	Locked   bool // also those who are locked
	Property string
	Next     string
	Wrong    string
}

type personRow struct {
	ID, Name, Email, Role, Houses string
	Locked, Password              bool
}

func personLine(x view.Person) personRow {
	out := personRow{ID: x.ID, Name: x.Name, Email: x.Email, Role: string(x.Role), Locked: !x.Disabled.IsZero(), Password: x.HasPassword, Houses: plural(len(x.Properties), "house")}
	if x.Everything {
		out.Houses = "every house"
	} else if n := len(x.Properties); n <= 3 {
		out.Houses = firstText(strings.Join(x.Properties, ", "), "none")
	}
	return out
}

func (p *pages) people(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	ask := view.PeopleQuery{Role: view.Role(cut(q.Get("role"), 20)), Property: cut(strings.TrimSpace(q.Get("property")), 80), Disabled: q.Get("locked") != "", After: cut(q.Get("after"), 80), Limit: 100}
	found, next, err := p.Source.ListPeople(r.Context(), ask)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := peoplePage{frame: p.still(r, "People"), Roles: append([]option{{"", "everybody", ask.Role == ""}}, options(string(ask.Role), roleWords...)...), Locked: ask.Disabled, Property: ask.Property}
	for _, x := range found {
		page.Rows = append(page.Rows, personLine(x))
	}
	if next != "" {
		q.Set("after", next)
		page.Next = "/settings/people?" + q.Encode()
	}
	p.render(w, r, http.StatusOK, "people.html", page)
}

type personPage struct {
	frame
	ID, Name string
	Line     personRow
	Change   form
	Sessions []sessionRow
	Said     string
	Mail     bool   // invitations can be sent
	Self     bool   // it is the manager's own entry
	Since    string // who added them, and when
}

type sessionRow struct{ ID, How, Seen, From, Until string }

// personForm asks for all that is known of a person.
func (p *pages) personForm(f frame, to, button string, x view.Person, self bool) form {
	all := "no"
	if x.Everything {
		all = "yes"
	}
	role := input{Name: "role", Label: "Role", Kind: "select", Options: options(string(x.Role), roleWords...)}
	if self {
		role.Hint = "Nobody changes their own role."
		role.Options = []option{{string(x.Role), string(x.Role), true}}
	}
	return newForm(f, "person", to, button,
		input{Name: "name", Label: "Name", Value: x.Name, Required: true, Most: 200},
		role,
		input{Name: "email", Label: "E-mail address", Kind: "email", Value: x.Email, Most: 254, Hint: "To sign in, and for messages."},
		input{Name: "phone", Label: "Phone for text messages", Kind: "tel", Value: x.Phone, Most: 20, Hint: "As in +15550100200."},
		input{Name: "all_properties", Label: "Every house, also those to come", Kind: "tick", Value: all},
		input{Name: "properties", Label: "Or these houses", Kind: "textarea", Rows: 3, Value: strings.Join(x.Properties, "\n"), Hint: "Ids, as heron-07, one a line."},
		input{Name: "language", Label: "Language of messages", Kind: "select", Options: options(x.Language, "en", "English", "es", "Spanish")},
		input{Name: "units", Label: "Units", Kind: "select", Options: options(x.Units, "", "those of each house", "us", "US", "si", "SI")},
	)
}

func (p *pages) newPerson(w http.ResponseWriter, r *http.Request) {
	p.showNewPerson(w, r, http.StatusOK, nil, nil)
}

func (p *pages) showNewPerson(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	page := personPage{frame: p.still(r, "Add a person"), Mail: p.Access.Mail != nil}
	page.Change = p.personForm(page.frame, "/settings/people", "Add the person", view.Person{Role: view.Technician, Language: "en"}, false)
	page.Change.put(in, wrong)
	p.render(w, r, status, "person.html", page)
}

func (p *pages) addPerson(w http.ResponseWriter, r *http.Request) {
	in := r.PostForm
	x := view.Person{Name: strings.TrimSpace(in.Get("name")), Email: strings.TrimSpace(in.Get("email")), Phone: strings.TrimSpace(in.Get("phone")), Role: view.Role(in.Get("role")),
		Everything: in.Get("all_properties") == "yes", Properties: list(in.Get("properties")), Language: in.Get("language"), Units: in.Get("units")}
	err := p.knownHouses(r, x.Properties)
	if err == nil {
		x, err = p.Source.AddPerson(r.Context(), x, "", visitOf(r).Name)
	}
	if wrong, ok := wrongIn(err); ok {
		p.showNewPerson(w, r, http.StatusUnprocessableEntity, in, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/people/"+x.ID, "added")
}

// knownHouses says which of the ids is none of ours.
func (p *pages) knownHouses(r *http.Request, ids []string) error {
	for _, id := range ids {
		if _, err := p.Source.Descriptions(r.Context(), visitOf(r).Scope(), id); err != nil {
			return &view.FieldError{Field: "properties", Problem: "there is no house " + id, Err: view.ErrInvalid}
		}
	}
	return nil
}

func (p *pages) person(w http.ResponseWriter, r *http.Request) {
	p.showPerson(w, r, http.StatusOK, nil, nil)
}

func (p *pages) showPerson(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	x, err := p.Source.FindPerson(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := personPage{frame: p.still(r, x.Name), ID: x.ID, Name: x.Name, Line: personLine(x), Mail: p.Access.Mail != nil && x.Email != "", Self: isSelf(r, x.ID)}
	page.Since = "Added by " + x.CreatedBy + ", " + x.CreatedAt.UTC().Format("Jan 2, 2006") + "."
	page.Change = p.personForm(page.frame, "/settings/people/"+x.ID, "Change", x, page.Self)
	page.Change.put(in, wrong)
	page.Said = said(r, map[string]string{"added": x.Name + " was added.", "changed": "Changed.", "invited": "An invitation is on its way to " + x.Email + ". It works once, within three days.",
		"locked": x.Name + " cannot sign in any more and gets no messages. What they did stays.", "unlocked": x.Name + " may sign in again.", "ended": "Signed out there."})
	if page.Sessions, err = p.sessionsOf(r.Context(), "person "+x.ID); err != nil {
		p.fail(w, r, err)
		return
	}
	p.render(w, r, status, "person.html", page)
}

func isSelf(r *http.Request, person string) bool { return visitOf(r).Actor == "person "+person }

func (p *pages) sessionsOf(ctx context.Context, actor string) ([]sessionRow, error) {
	found, err := p.Source.Sessions(ctx, view.Principal{Actor: actor})
	var out []sessionRow
	for _, s := range found {
		out = append(out, sessionRow{ID: s.ID, How: methodWords[s.Method], Seen: ago(p.Now().Sub(s.SeenAt)), From: strings.TrimSuffix(s.Agent+", "+s.Source, ", "), Until: s.Expires.UTC().Format("Jan 2")})
	}
	return out, err
}

var methodWords = map[string]string{"password": "by password", "mail-link": "by a mailed link", "openid": "at the provider", "token": "with a token"}

func (p *pages) changePerson(w http.ResponseWriter, r *http.Request) {
	in, id := r.PostForm, chi.URLParam(r, "id")
	text := func(name string) *string { s := strings.TrimSpace(in.Get(name)); return &s }
	role, all, houses := view.Role(in.Get("role")), in.Get("all_properties") == "yes", list(in.Get("properties"))
	c := view.PersonChange{Name: text("name"), Email: text("email"), Phone: text("phone"), Language: text("language"), Units: text("units"), Role: &role, Everything: &all, Properties: &houses}
	if isSelf(r, id) {
		c.Role = nil
	}
	err := p.knownHouses(r, houses)
	if err == nil {
		_, err = p.Source.ChangePerson(r.Context(), id, c, visitOf(r).Name)
	}
	p.personDone(w, r, err, "changed", in)
}

// personDone leads back to the person, or shows what is wrong with what was
// asked.
func (p *pages) personDone(w http.ResponseWriter, r *http.Request, err error, done string, in url.Values) {
	if wrong, ok := wrongIn(err); ok {
		p.showPerson(w, r, http.StatusUnprocessableEntity, in, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/people/"+chi.URLParam(r, "id"), done)
}

// invite mails a link with which a person signs in for the first time.
func (p *pages) invite(w http.ResponseWriter, r *http.Request) {
	if p.Access.Mail == nil {
		p.personDone(w, r, &view.FieldError{Problem: "no mail server is set up here", Err: view.ErrConflict}, "", nil)
		return
	}
	l, err := p.Source.Invite(r.Context(), chi.URLParam(r, "id"), visitOf(r).Actor)
	if err == nil {
		err = p.Access.Mail.SendSignInLink(r.Context(), signin.Link{Person: l.Person, Name: l.Name, Email: l.Email, Language: l.Language, URL: p.signInURL(l.Secret), Expires: l.Expires, InvitedBy: visitOf(r).Name})
	}
	p.personDone(w, r, err, "invited", nil)
}

func (p *pages) signInURL(secret string) string {
	return strings.TrimRight(p.Access.PublicURL, "/") + "/sign-in/link/" + url.PathEscape(secret)
}

// lock keeps a person out, or lets them in again.
func (p *pages) lock(yes bool) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		id, done := chi.URLParam(r, "id"), "unlocked"
		if yes {
			done = "locked"
		}
		if isSelf(r, id) {
			p.personDone(w, r, &view.FieldError{Problem: "nobody locks themselves out", Err: view.ErrConflict}, "", nil)
			return
		}
		_, err := p.Source.ChangePerson(r.Context(), id, view.PersonChange{Disabled: &yes}, visitOf(r).Name)
		p.personDone(w, r, err, done, nil)
	}
}

func (p *pages) endSessionOf(w http.ResponseWriter, r *http.Request) {
	err := p.Source.EndSessionOf(r.Context(), view.Principal{Actor: "person " + chi.URLParam(r, "id")}, chi.URLParam(r, "session"))
	p.personDone(w, r, err, "ended", nil)
}

// day is a date on a page of the settings, which belong to no house's zone.
func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("Jan 2, 2006")
}
