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

// buttonPage asks before it acts, and says what was done.
type buttonPage struct {
	frame
	What    string // what the button does
	House   string
	Alarms  []string
	Button  string
	Caution string
	Done    string // instead of the button
}

// linked checks the link and answers for what is wrong with it.
func (p *pages) linked(w http.ResponseWriter, r *http.Request, kind notify.LinkKind) (property int32, delivery int64, l view.Linked, ok bool) {
	property, delivery, err := p.Links.Read(kind, chi.URLParam(r, "token"), p.Now())
	if err == nil {
		l, err = p.Source.Linked(r.Context(), property, delivery)
	}
	switch {
	case errors.Is(err, notify.ErrLink), errors.Is(err, view.ErrNotFound):
		p.message(w, r, http.StatusNotFound, "Link not valid", "This link is too old, or it was not copied whole. Open it from the message again, or sign in.")
	case err != nil:
		p.fail(w, r, err)
	default:
		return property, delivery, l, true
	}
	return 0, 0, l, false
}

func (p *pages) showLink(w http.ResponseWriter, r *http.Request, l view.Linked, page buttonPage) {
	page.frame = p.frame(r, page.Title)
	page.Refresh = false
	page.House = l.Property
	for _, a := range l.Alarms {
		line := wordsFor(a.Condition).Title
		if a.Over() {
			line += " (over)"
		} else if !a.AcknowledgedAt.IsZero() {
			line += " (acknowledged by " + words.Line(a.AcknowledgedBy) + ")"
		}
		page.Alarms = append(page.Alarms, line)
		if c := cautions(a.Condition, a.Causes); page.Caution == "" && len(c) > 0 {
			page.Caution = c[0]
		}
	}
	p.render(w, r, http.StatusOK, "button.html", page)
}

func (p *pages) seenPage(w http.ResponseWriter, r *http.Request) {
	_, _, l, ok := p.linked(w, r, notify.LinkSeen)
	if !ok {
		return
	}
	page := buttonPage{frame: frame{Title: "Say that you have seen it"}, What: "Others are then not called about it. It does not mend anything.", Button: "I have seen this"}
	if !l.UsedAt.IsZero() {
		page.Done = "This link was used before. Nothing more is needed."
	}
	p.showLink(w, r, l, page)
}

func (p *pages) seen(w http.ResponseWriter, r *http.Request) {
	property, delivery, l, ok := p.linked(w, r, notify.LinkSeen)
	if !ok {
		return
	}
	page := buttonPage{frame: frame{Title: "Thank you"}, Done: "It is noted that you have seen this."}
	switch err := p.Source.AcknowledgeLinked(r.Context(), property, delivery); {
	case errors.Is(err, view.ErrConflict):
		page.Title, page.Done = "Noted before", "This link was used before. Nothing more is needed."
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
	p.showLink(w, r, l, buttonPage{frame: frame{Title: "No more messages"}, Button: "No more messages to " + l.Recipient,
		What: "No message will go to this address any more, not even about water under the house. To undo it, ask your contractor."})
}

// stop is also what a mail program's own button sends (RFC 8058): the post must
// work without a cookie and without a page before it.
func (p *pages) stop(w http.ResponseWriter, r *http.Request) {
	property, delivery, l, ok := p.linked(w, r, notify.LinkStop)
	if !ok {
		return
	}
	if err := p.Source.StopLinked(r.Context(), property, delivery); err != nil {
		p.fail(w, r, err)
		return
	}
	l.Alarms = nil
	p.showLink(w, r, l, buttonPage{frame: frame{Title: "No more messages"}, Done: "No more messages go to " + l.Recipient + "."})
}

type deliveriesPage struct {
	frame
	Sick []string
	Rows []deliveryRow
	Next string
	Only string
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
