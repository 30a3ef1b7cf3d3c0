package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"underkeep/api/view"
)

// problem is an RFC 9457 problem detail. Type is always about:blank: the status
// says the kind, the detail what to do.
type problem struct {
	Type   string         `json:"type"`
	Title  string         `json:"title"`
	Status int            `json:"status"`
	Detail string         `json:"detail,omitempty"`
	Errors []fileErrorOut `json:"errors,omitempty"`
}

type fileErrorOut struct {
	Line   int    `json:"line,omitempty"`
	Field  string `json:"field,omitempty"`
	Detail string `json:"detail"`
}

func writeProblem(w http.ResponseWriter, status int, format string, args ...any) {
	sendProblem(w, problem{Status: status, Detail: fmt.Sprintf(format, args...)})
}

func sendProblem(w http.ResponseWriter, p problem) {
	p.Type, p.Title = "about:blank", http.StatusText(p.Status)
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(p.Status)
	// The client may be gone; there is nobody left to tell.
	_ = json.NewEncoder(w).Encode(p)
}

// badRequest is a mistake in a parameter or body that the caller can correct.
type badRequest struct{ detail string }

func (e badRequest) Error() string { return e.detail }

func badf(format string, args ...any) error { return badRequest{fmt.Sprintf(format, args...)} }

// fail answers with the problem that the error stands for; what is nobody's
// business outside is logged and not told.
func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	var bad badRequest
	var file view.FileErrors
	var tooLarge *http.MaxBytesError
	var field *view.FieldError
	switch {
	case errors.As(err, &bad):
		writeProblem(w, http.StatusBadRequest, "%s", bad.detail)
	case errors.As(err, &file):
		sendProblem(w, fileProblem(file))
	case errors.As(err, &tooLarge):
		writeProblem(w, http.StatusRequestEntityTooLarge, "at most %d bytes are accepted", tooLarge.Limit)
	case errors.As(err, &field) && !errors.Is(err, view.ErrNotFound):
		sendProblem(w, fieldProblem(field))
	case errors.Is(err, view.ErrInvalid):
		writeProblem(w, http.StatusBadRequest, "%s", err)
	case errors.Is(err, view.ErrNotFound):
		s.notFound(w, r)
	case errors.Is(err, view.ErrConflict):
		writeProblem(w, http.StatusConflict, "%s", err)
	default:
		s.Logger.ErrorContext(r.Context(), "request", "method", r.Method, "path", r.URL.Path, "error", err)
		s.unavailable(w, r)
	}
}

// unavailable tells an outage that a retry may outlast from a mistake of ours.
func (s *server) unavailable(w http.ResponseWriter, r *http.Request) {
	if r.Context().Err() != nil || s.Source.Ping(r.Context()) != nil {
		w.Header().Set("Retry-After", "5")
		writeProblem(w, http.StatusServiceUnavailable, "the database does not answer in time")
		return
	}
	writeProblem(w, http.StatusInternalServerError, "unexpected; it is in the log of the service")
}

func fieldProblem(e *view.FieldError) problem {
	p := problem{Status: http.StatusBadRequest, Detail: e.Problem, Errors: []fileErrorOut{{Field: e.Field, Detail: e.Problem}}}
	if errors.Is(e, view.ErrConflict) {
		p.Status = http.StatusConflict
	}
	return p
}

func fileProblem(file view.FileErrors) problem {
	p := problem{Status: http.StatusUnprocessableEntity, Detail: "property file refused; nothing was changed"}
	for _, e := range file {
		p.Errors = append(p.Errors, fileErrorOut{e.Line, e.Field, e.Problem})
	}
	return p
}

func (s *server) notFound(w http.ResponseWriter, _ *http.Request) {
	writeProblem(w, http.StatusNotFound, "no such thing here")
}

func (s *server) methodNotAllowed(w http.ResponseWriter, r *http.Request) {
	writeProblem(w, http.StatusMethodNotAllowed, "%s is not possible here", r.Method)
}
