package pages

import (
	"cmp"
	"errors"
	"net/http"
	"slices"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/alerting/notify"
	"underkeep/alerting/notify/words"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// messageRoutes are the pages behind links in messages: whoever has the link
// needs no sign-in, and nothing happens before a button is pressed, because
// programs that look at mail follow every link in it.
func (p *pages) messageRoutes(r chi.Router) {
	if p.Links == nil {
		return
	}
	r.Get("/seen/{token}", p.seenPage)
	r.Post("/seen/{token}", p.seen)
	r.Get("/stop/{token}", p.stopPage)
	r.Post("/stop/{token}", p.stop)
}

// buttonPage asks before it acts, and says what was done, in the language of
// whom the message went to.
type buttonPage struct {
	frame
	What         string // what the button does
	House        string
	Alarms       []string
	Button       string // "" none
	Again        bool   // the button takes back that messages are stopped
	Caution      string
	CautionLabel string
	Done         string
	FirstPage    string
}

// linked checks the link and answers for what is wrong with it.
func (p *pages) linked(w http.ResponseWriter, r *http.Request, kind notify.LinkKind) (property int32, delivery int64, l view.Linked, ok bool) {
	property, delivery, err := p.Links.Read(kind, chi.URLParam(r, "token"), p.Now())
	if err == nil {
		l, err = p.Source.Linked(r.Context(), property, delivery)
	}
	switch {
	case errors.Is(err, notify.ErrLink), errors.Is(err, view.ErrNotFound):
		say := words.Link(words.ParseLang(r.Header.Get("Accept-Language")))
		p.renderLink(w, r, http.StatusNotFound, say, buttonPage{frame: frame{Title: say.InvalidTitle}, What: say.InvalidText, FirstPage: say.FirstPage})
	case err != nil:
		p.fail(w, r, err)
	default:
		return property, delivery, l, true
	}
	return 0, 0, l, false
}

func (p *pages) renderLink(w http.ResponseWriter, r *http.Request, status int, say words.LinkPage, page buttonPage) {
	page.frame = p.frame(r, page.Title)
	page.Refresh, page.Lang, page.Skip, page.Foot, page.CautionLabel = false, string(say.Lang), say.Skip, say.Foot, say.CautionLabel
	p.render(w, r, status, "button.html", page)
}

func (p *pages) showLink(w http.ResponseWriter, r *http.Request, l view.Linked, page buttonPage) {
	say := words.Link(words.ParseLang(l.Language))
	page.House = l.Property
	var alarms []words.Alarm
	for _, a := range l.Alarms {
		page.Alarms = append(page.Alarms, say.Alarm(a.Condition, a.Over(), a.AcknowledgedBy))
		about := words.Alarm{Condition: a.Condition}
		if len(a.Causes) > 0 {
			about.Cause = a.Causes[0].Cause
		}
		alarms = append(alarms, about)
	}
	if len(alarms) > 0 {
		page.Caution = say.Caution(alarms)
	}
	p.renderLink(w, r, http.StatusOK, say, page)
}

func (p *pages) seenPage(w http.ResponseWriter, r *http.Request) {
	_, _, l, ok := p.linked(w, r, notify.LinkSeen)
	if !ok {
		return
	}
	say := words.Link(words.ParseLang(l.Language))
	page := buttonPage{frame: frame{Title: say.SeenTitle}, What: say.SeenWhat, Button: say.SeenButton}
	if !l.UsedAt.IsZero() {
		page.What, page.Button, page.Done = "", "", say.SeenUsed
	}
	p.showLink(w, r, l, page)
}

func (p *pages) seen(w http.ResponseWriter, r *http.Request) {
	property, delivery, l, ok := p.linked(w, r, notify.LinkSeen)
	if !ok {
		return
	}
	say := words.Link(words.ParseLang(l.Language))
	page := buttonPage{frame: frame{Title: say.SeenThanks}, Done: say.SeenDone}
	switch err := p.Source.AcknowledgeLinked(r.Context(), property, delivery); {
	case errors.Is(err, view.ErrConflict):
		page.Title, page.Done = say.SeenBefore, say.SeenUsed
	case err != nil:
		p.fail(w, r, err)
		return
	}
	p.showLink(w, r, l, page)
}

func (p *pages) stopPage(w http.ResponseWriter, r *http.Request) {
	_, _, l, ok := p.linked(w, r, notify.LinkStop)
	if !ok {
		return
	}
	l.Alarms = nil
	say := words.Link(words.ParseLang(l.Language))
	page := buttonPage{frame: frame{Title: say.StopTitle}, Button: say.StopButton(l.Recipient), What: say.StopWhat}
	if l.Stopped {
		page = buttonPage{frame: frame{Title: say.ResumeTitle}, Button: say.ResumeButton, Again: true, What: say.ResumeWhat(l.Recipient)}
	}
	p.showLink(w, r, l, page)
}

// stop is also what a mail program's own button sends (RFC 8058): the post must
// work without a cookie and without a page before it. The page that it shows can
// take it back.
func (p *pages) stop(w http.ResponseWriter, r *http.Request) {
	property, delivery, l, ok := p.linked(w, r, notify.LinkStop)
	if !ok {
		return
	}
	l.Alarms = nil
	say := words.Link(words.ParseLang(l.Language))
	act, page := p.Source.StopLinked, buttonPage{frame: frame{Title: say.StopTitle}, Done: say.StopDone(l.Recipient), Button: say.ResumeButton, Again: true}
	if r.PostFormValue("again") == "1" {
		act, page = p.Source.ResumeLinked, buttonPage{frame: frame{Title: say.SeenThanks}, Done: say.ResumeDone(l.Recipient)}
	}
	if err := act(r.Context(), property, delivery); err != nil {
		p.fail(w, r, err)
		return
	}
	p.showLink(w, r, l, page)
}

type deliveriesPage struct {
	frame
	Said    string
	Sick    []string
	Rows    []deliveryRow
	Stopped []stoppedRow
	Next    string
	Only    string
}

type deliveryRow struct {
	ID, When, To, How, What, Property, State, Why string
	Dead                                          bool
}

const deliveriesShown = 100

var deliveryStates = map[string]string{"waiting": "waiting", "sending": "being sent", "sent": "sent", "gathered": "told among others",
	"moot": "not needed any more", "dead": "given up"}

var purposeWords = map[string]string{"alarm": "alarm", "return": "all normal again", "correction": "correction", "gathered": "many alarms in one",
	"digest": "digest of the day", "summary": "month", "weekly": "week", "sign-in": "link to sign in", "channel": "a channel does not work",
	"test": "test", "event": "event"}

func (p *pages) deliveryRow(d *view.Delivery) deliveryRow {
	what := cmp.Or(purposeWords[d.Purpose], d.Purpose)
	if d.Priority != "" {
		what += ", " + d.Priority
	}
	if d.Step > 0 && d.Purpose == "alarm" {
		what += ", because nobody had answered"
	}
	return deliveryRow{ID: d.ID, When: d.CreatedAt.UTC().Format("2006-01-02 15:04 UTC"), To: cmp.Or(d.Person, d.Recipient), How: d.Channel, What: what,
		Property: d.Property, State: cmp.Or(deliveryStates[d.State], d.State), Why: d.Outcome, Dead: d.State == "dead"}
}

// mayDeliveries answers those who may not see other people's addresses.
func (p *pages) mayDeliveries(w http.ResponseWriter, r *http.Request) bool {
	if visitOf(r).May(view.ReadDeliveries) {
		return true
	}
	p.message(w, r, http.StatusForbidden, "Not yours to see", "Only managers see who was written to.")
	return false
}

func (p *pages) deliveries(w http.ResponseWriter, r *http.Request) {
	if !p.mayDeliveries(w, r) {
		return
	}
	q := view.DeliveryQuery{After: r.URL.Query().Get("after"), Limit: deliveriesShown}
	page := deliveriesPage{frame: p.frame(r, "Messages"), Only: r.URL.Query().Get("state")}
	if page.Only != "" {
		q.States = []string{page.Only}
	}
	list, next, err := p.Source.Deliveries(r.Context(), visitOf(r).Scope(), q)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	channels, err := p.Source.Channels(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for _, c := range channels {
		if c.Sick {
			page.Sick = append(page.Sick, c.Channel+": "+c.LastError)
		}
	}
	for i := range list {
		page.Rows = append(page.Rows, p.deliveryRow(&list[i]))
	}
	page.Next = next
	page.Said = said(r, map[string]string{"resumed": "Messages go to that address again."})
	if page.Stopped, err = p.stoppedRows(r); err != nil {
		p.fail(w, r, err)
		return
	}
	p.render(w, r, http.StatusOK, "deliveries.html", page)
}

type deliveryPage struct {
	frame
	deliveryRow
	Recipient string
	Tries     []deliveryTry
	Mail      string // as it was sent, where the service keeps it
}

type deliveryTry struct{ When, Outcome, Detail string }

var tryWords = map[string]string{"unknown": "cut short; nobody knows whether it was taken", "sent": "taken", "later": "not now", "refused": "refused"}

func (p *pages) delivery(w http.ResponseWriter, r *http.Request) {
	if !p.mayDeliveries(w, r) {
		return
	}
	d, err := p.Source.Delivery(r.Context(), visitOf(r).Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := deliveryPage{frame: p.frame(r, "Message "+d.ID), deliveryRow: p.deliveryRow(&d), Recipient: d.Recipient}
	for _, t := range d.Tries {
		page.Tries = append(page.Tries, deliveryTry{t.BegunAt.UTC().Format(time.RFC3339), cmp.Or(tryWords[t.Outcome], t.Outcome), t.Detail})
	}
	if p.KeptMail != nil {
		page.Mail = p.KeptMail(d.ID)
	}
	p.render(w, r, http.StatusOK, "delivery.html", page)
}

type previewPage struct {
	frame
	Conditions, Langs, Systems, Readers []choice
	Subject, Text, SMS                  string
}

type choice struct {
	Value, Label string
	Chosen       bool
}

func choices(chosen string, pairs ...string) []choice {
	var out []choice
	for i := 0; i+1 < len(pairs); i += 2 {
		out = append(out, choice{pairs[i], pairs[i+1], pairs[i] == chosen})
	}
	return out
}

// preview shows the message of a condition as it would be sent.
func (p *pages) preview(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	condition := site.Condition(cmp.Or(q.Get("condition"), string(site.HighWaterAlarm)))
	if !slices.Contains(site.Conditions(), condition) {
		p.fail(w, r, view.ErrInvalid)
		return
	}
	lang := words.ParseLang(q.Get("lang"))
	sys := units.System(cmp.Or(q.Get("units"), string(units.US)))
	owner := q.Get("for") != "company"
	m := words.Example(lang, sys, owner, condition, words.Raised)
	mail := m.Mail()
	page := previewPage{frame: p.frame(r, "Preview of messages"), Subject: mail.Subject, Text: mail.Text, SMS: m.Text(),
		Langs: choices(string(lang), "en", "English", "es", "Español"), Systems: choices(string(sys), "us", "US units", "si", "SI units"),
		Readers: choices(map[bool]string{true: "owner", false: "company"}[owner], "owner", "for the owner", "company", "for the company")}
	for _, c := range site.Conditions() {
		page.Conditions = append(page.Conditions, choice{string(c), wordsFor(c).Title, c == condition})
	}
	page.Refresh = false
	p.render(w, r, http.StatusOK, "preview.html", page)
}

// wordsFor a condition, as messages have them.
func wordsFor(c site.Condition) Words {
	w := words.For(words.English, c)
	return Words{Title: w.Title, Plain: w.Plain, Do: w.Owner}
}
