package api

import (
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type alarmOut struct {
	ID              string              `json:"id"`
	Property        string              `json:"property"`
	Condition       string              `json:"condition"`
	Point           *string             `json:"point"`
	Priority        string              `json:"priority"`
	State           string              `json:"state"`
	RaisedAt        *string             `json:"raised_at"`
	KnownAt         *string             `json:"known_at"`
	ClearedAt       *string             `json:"cleared_at"`
	PriorityChanges []priorityChangeOut `json:"priority_changes,omitempty"`
	Causes          []causeOut          `json:"causes"`
	CallOut         *string             `json:"call_out"`
	RegionalEvent   *string             `json:"regional_event"`
	SuppressedBy    *string             `json:"suppressed_by"`
	Remarks         []string            `json:"remarks,omitempty"`
	WithdrawnAt     *string             `json:"withdrawn_at,omitempty"`
	WithdrawnWhy    string              `json:"withdrawn_why,omitempty"`
	AcknowledgedAt  *string             `json:"acknowledged_at,omitempty"`
	AcknowledgedBy  string              `json:"acknowledged_by,omitempty"`
	ShelvedUntil    *string             `json:"shelved_until,omitempty"`
}

type priorityChangeOut struct {
	At       *string `json:"at"`
	Priority string  `json:"priority"`
}

type causeOut struct {
	Cause    string   `json:"cause"`
	Evidence []string `json:"evidence"`
}

func showAlarm(a view.Alarm) alarmOut {
	out := alarmOut{
		ID: a.ID, Property: a.Property, Condition: string(a.Condition), Point: orNull(a.Point),
		Priority: a.Priority.String(), State: string(a.State),
		RaisedAt: stamp(a.RaisedAt), KnownAt: stamp(a.KnownAt), ClearedAt: stamp(a.ClearedAt),
		Causes: []causeOut{}, CallOut: orNull(a.CallOut), RegionalEvent: orNull(a.RegionalEvent), SuppressedBy: orNull(string(a.SuppressedBy)),
		Remarks: a.Remarks, WithdrawnAt: stamp(a.WithdrawnAt), WithdrawnWhy: a.WithdrawnWhy,
		AcknowledgedAt: stamp(a.AcknowledgedAt), AcknowledgedBy: a.AcknowledgedBy, ShelvedUntil: stamp(a.ShelvedUntil),
	}
	for _, c := range a.PriorityChanges {
		out.PriorityChanges = append(out.PriorityChanges, priorityChangeOut{stamp(c.At), c.Priority.String()})
	}
	for _, c := range a.Causes {
		out.Causes = append(out.Causes, causeOut{c.Cause, append([]string{}, c.Evidence...)})
	}
	return out
}

func showAlarms(alarms []view.Alarm) []alarmOut {
	out := make([]alarmOut, 0, len(alarms))
	for _, a := range alarms {
		out = append(out, showAlarm(a))
	}
	return out
}

func (s *server) listAlarms(w http.ResponseWriter, r *http.Request) {
	q := query(r, "property", "state", "cursor", "limit")
	ask := view.AlarmQuery{Property: q.name("property", false), States: q.states(), After: q.cursor(), Limit: q.limit(100, 500)}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	if ask.Property != "" && !scope(r).Allows(ask.Property) {
		s.notFound(w, r)
		return
	}
	found, next, err := s.Source.Alarms(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Alarms []alarmOut `json:"alarms"`
		Next   *string    `json:"next,omitempty"`
	}{showAlarms(found), wrap(next)})
}

func (s *server) getAlarm(w http.ResponseWriter, r *http.Request) {
	a, err := s.Source.Alarm(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showAlarm(a))
}

type entryOut struct {
	At   *string `json:"at"`
	Kind string  `json:"kind"`
	By   string  `json:"by,omitempty"`
	Note string  `json:"note,omitempty"`
}

func (s *server) listJournal(w http.ResponseWriter, r *http.Request) {
	found, err := s.Source.Journal(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]entryOut, 0, len(found))
	for _, e := range found {
		out = append(out, entryOut{stamp(e.At), e.Kind, e.By, e.Note})
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"entries": out})
}

// longestShelf keeps a shelved alarm from being forgotten; common practice, no source.
const longestShelf = 30 * 24 * time.Hour

// answer records what a person did about the alarm of the path.
func (s *server) answer(kind view.AnswerKind) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		a, err := s.readAnswer(w, r, kind)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		alarm, err := s.Source.Answer(r.Context(), scope(r), chi.URLParam(r, "id"), a)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		s.writeJSON(w, r, http.StatusOK, showAlarm(alarm))
	}
}

func (s *server) readAnswer(w http.ResponseWriter, r *http.Request, kind view.AnswerKind) (view.Answer, error) {
	a := view.Answer{Kind: kind, By: principal(r).Name, At: s.Now().UTC()}
	var note struct {
		Note string `json:"note"`
	}
	if kind != view.ToShelve {
		err := decode(w, r, &note)
		a.Note = note.Note
		if err == nil && kind == view.ToOutOfService && strings.TrimSpace(a.Note) == "" {
			err = badf("note: say why the alarm is taken out of service")
		}
		return a, firstError(err, checkNote(note.Note))
	}
	var shelf struct {
		Note  string    `json:"note"`
		Until time.Time `json:"until"`
	}
	err := decode(w, r, &shelf)
	a.Note, a.Until = shelf.Note, shelf.Until.UTC()
	return a, firstError(err, checkNote(shelf.Note), checkShelf(a))
}

// firstError is the first error that is one.
func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func checkNote(note string) error {
	if len(note) > 2000 || strings.ContainsRune(note, 0) {
		return badf("note: at most 2000 bytes of text")
	}
	return nil
}

func checkShelf(a view.Answer) error {
	switch {
	case strings.TrimSpace(a.Note) == "":
		return badf("note: say why the alarm is put aside")
	case !a.Until.After(a.At):
		return badf("until: a time ahead is needed")
	case a.Until.After(a.At.Add(longestShelf)):
		return badf("until: at most 30 days ahead")
	}
	return nil
}
