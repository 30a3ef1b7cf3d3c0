package api

import (
	"context"
	"errors"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"underkeep/api/view"
)

type principalKey struct{}

// principal of a request that has passed may.
func principal(r *http.Request) view.Principal {
	p, _ := r.Context().Value(principalKey{}).(view.Principal)
	return p
}

func scope(r *http.Request) view.Scope { return principal(r).Scope() }

// may lets a request through whose token is valid (else 401) and whose role may
// do the action (else 403). Roles are checked before any object is looked up.
func (s *server) may(a view.Action) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			p, err := s.authenticate(r)
			switch {
			case errors.Is(err, view.ErrNotFound):
				w.Header().Set("WWW-Authenticate", `Bearer realm="underkeep"`)
				writeProblem(w, http.StatusUnauthorized, "a valid bearer token is needed")
			case err != nil:
				s.fail(w, r, err)
			case !p.May(a):
				writeProblem(w, http.StatusForbidden, "a token of role %s may not do this", p.Role)
			default:
				next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), principalKey{}, p)))
			}
		})
	}
}

func (s *server) authenticate(r *http.Request) (view.Principal, error) {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	token = strings.TrimSpace(token)
	if !ok || !strings.EqualFold(scheme, "Bearer") || token == "" || len(token) > 512 {
		return view.Principal{}, view.ErrNotFound
	}
	return s.Source.Authenticate(r.Context(), token)
}

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
