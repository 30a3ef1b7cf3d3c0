package api

import (
	"context"
	"errors"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type principalKey struct{}
type sourceKey struct{}

// principal of a request that has passed may.
func principal(r *http.Request) view.Principal {
	p, _ := r.Context().Value(principalKey{}).(view.Principal)
	return p
}

func scope(r *http.Request) view.Scope { return principal(r).Scope() }

// source is the address that the request came from.
func source(r *http.Request) string {
	text, _ := r.Context().Value(sourceKey{}).(string)
	return text
}

// arrive is where every request begins: as nobody's, whose queries show no row,
// and no faster than one address may.
func (s *server) arrive(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from := s.sourceOf(r)
		if wait, ok := s.sources.allow(from); !ok {
			slow(w, wait)
			return
		}
		ctx := context.WithValue(nobody(r.Context()), sourceKey{}, from)
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// may lets a request through whose token is valid (else 401) and whose role may
// do the action (else 403). Roles are checked before any object is looked up.
// From here on the database shows what is the principal's, a repeated write gets
// the answer of the first, and what was done is noted.
func (s *server) may(a view.Action) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		done := s.noted(s.once(next))
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			p, err := s.authenticate(r)
			if errors.Is(err, view.ErrNotFound) {
				w.Header().Set("WWW-Authenticate", `Bearer realm="underkeep"`)
				writeProblem(w, http.StatusUnauthorized, "a valid bearer token is needed")
				return
			}
			if err != nil {
				s.fail(w, r, err)
				return
			}
			if wait, ok := s.principals.allow(p.Actor); !ok {
				slow(w, wait)
				return
			}
			r = r.WithContext(context.WithValue(s.bind(r.Context(), p, source(r)), principalKey{}, p))
			if !p.May(a) {
				s.noteRefused(r)
				writeProblem(w, http.StatusForbidden, "a token of role %s%s may not do this", p.Role, narrowed(p))
				return
			}
			done.ServeHTTP(w, r)
		})
	}
}

func narrowed(p view.Principal) string {
	if p.Actions == nil {
		return ""
	}
	return ", narrowed to " + strings.Join(p.Actions, ", ") + ","
}

func (s *server) authenticate(r *http.Request) (view.Principal, error) {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	token = strings.TrimSpace(token)
	if !ok || !strings.EqualFold(scheme, "Bearer") || token == "" || len(token) > 512 {
		return view.Principal{}, view.ErrNotFound
	}
	return s.Source.Authenticate(r.Context(), token)
}

// writes says whether the request may change something.
func writes(r *http.Request) bool {
	return r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodOptions
}

// readsEvidence says whether the request takes away what a claim rests on.
func readsEvidence(r *http.Request) bool { return strings.HasSuffix(r.URL.Path, "/evidence") }

// noted puts writes, and reads of evidence, into the audit log once they are
// done.
func (s *server) noted(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !writes(r) && !readsEvidence(r) {
			next.ServeHTTP(w, r)
			return
		}
		seen := &statusWriter{ResponseWriter: w}
		next.ServeHTTP(seen, r)
		if seen.status >= 200 && seen.status < 400 {
			s.note(r, false)
		}
	})
}

func (s *server) noteRefused(r *http.Request) {
	if writes(r) || readsEvidence(r) {
		s.note(r, true)
	}
}

func (s *server) note(r *http.Request, refused bool) {
	action := "write"
	if !writes(r) {
		action = "evidence-read"
	}
	// What is done is done, also when the client has gone meanwhile.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), 5*time.Second)
	defer cancel()
	err := s.Source.Note(ctx, view.AuditEntry{Actor: principal(r).Actor, Action: action, Object: r.URL.Path, Source: source(r),
		Detail: r.Method + " " + chi.RouteContext(r.Context()).RoutePattern(), Refused: refused})
	if err != nil {
		s.Logger.ErrorContext(ctx, "audit log", "path", r.URL.Path, "actor", principal(r).Actor, "error", err)
	}
}

// statusWriter remembers the status.
type statusWriter struct {
	http.ResponseWriter
	status int
}

// WriteHeader implements http.ResponseWriter.
func (w *statusWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter.
func (w *statusWriter) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(b)
}

// Unwrap is for http.ResponseController.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// deadline bounds how long a request may keep the database busy.
func deadline(d time.Duration) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			ctx, cancel := context.WithTimeout(r.Context(), d)
			defer cancel()
			next.ServeHTTP(w, r.WithContext(ctx))
		})
	}
}

// securityHeaders are the same on every answer; pages narrow the policy to what
// they load from this origin.
func securityHeaders(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

func (s *server) recoverer(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			v := recover()
			if v == nil {
				return
			}
			if v == http.ErrAbortHandler {
				panic(v)
			}
			s.Logger.ErrorContext(r.Context(), "panic", "path", r.URL.Path, "value", v, "stack", string(debug.Stack()))
			writeProblem(w, http.StatusInternalServerError, "unexpected; it is in the log of the service")
		}()
		next.ServeHTTP(w, r)
	})
}
