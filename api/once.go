package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"net/http"
	"time"

	"underkeep/api/photo"
	"underkeep/api/view"
)

// maxOnceBody is how long a request with an Idempotency-Key may be: its body is
// read whole before it is judged.
const maxOnceBody = photo.MaxBytes + 1

// once answers a repeated write as the first one was answered
// (draft-ietf-httpapi-idempotency-key-header): the same key with another request
// is 422, with one that is still at work 409. Keys are the principal's own and
// end after a day.
func (s *server) once(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		key := r.Header.Get("Idempotency-Key")
		if key == "" || !writes(r) {
			next.ServeHTTP(w, r)
			return
		}
		if !printable(key, 200) {
			s.fail(w, r, badf("Idempotency-Key: 1 to 200 printable characters are expected"))
			return
		}
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxOnceBody))
		if err != nil {
			s.fail(w, r, err)
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		first, err := s.Source.BeginIdempotent(r.Context(), principal(r).Actor, key, requestHash(r, body))
		switch {
		case errors.Is(err, view.ErrKeyReused):
			writeProblem(w, http.StatusUnprocessableEntity, "%s", err)
		case errors.Is(err, view.ErrConflict):
			w.Header().Set("Retry-After", "1")
			writeProblem(w, http.StatusConflict, "the first request with this Idempotency-Key is still at work")
		case err != nil:
			s.fail(w, r, err)
		case first != nil:
			replay(w, *first)
		default:
			s.first(w, r, key, next)
		}
	})
}

func printable(text string, most int) bool {
	for _, c := range []byte(text) {
		if c < ' ' || c > '~' {
			return false
		}
	}
	return len(text) >= 1 && len(text) <= most
}

func requestHash(r *http.Request, body []byte) [32]byte {
	h := sha256.New()
	for _, part := range []string{r.Method, r.URL.RequestURI(), r.Header.Get("Content-Type"), r.Header.Get("Accept")} {
		io.WriteString(h, part) // a hash never fails
		h.Write([]byte{0})
	}
	h.Write(body)
	return [32]byte(h.Sum(nil))
}

func replay(w http.ResponseWriter, a view.StoredAnswer) {
	if a.ContentType != "" {
		w.Header().Set("Content-Type", a.ContentType)
	}
	if a.Location != "" {
		w.Header().Set("Location", a.Location)
	}
	w.Header().Set("Idempotent-Replayed", "true")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(a.Status)
	_, _ = w.Write(a.Body) // the client may be gone
}

// first runs the request and keeps its answer. Where the outcome is open (an
// outage, a panic) the key is given back: the repetition must then be judged by
// itself.
func (s *server) first(w http.ResponseWriter, r *http.Request, key string, next http.Handler) {
	kept := &keepingWriter{ResponseWriter: w}
	finished := false
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), 5*time.Second)
		defer cancel()
		if err := s.keep(ctx, principal(r).Actor, key, kept, finished); err != nil {
			s.Logger.ErrorContext(ctx, "keep the answer to an idempotency key", "path", r.URL.Path, "error", err)
		}
	}()
	next.ServeHTTP(kept, r)
	finished = true
}

func (s *server) keep(ctx context.Context, actor, key string, w *keepingWriter, finished bool) error {
	if !finished || w.status == 0 || w.status >= 500 || w.status == http.StatusTooManyRequests {
		return s.Source.AbandonIdempotent(ctx, actor, key)
	}
	a := view.StoredAnswer{Status: w.status, ContentType: w.Header().Get("Content-Type"), Location: w.Header().Get("Location"), Body: w.body.Bytes()}
	if w.status < 300 && w.Header().Get("Cache-Control") == secretAnswer {
		a = view.StoredAnswer{Status: http.StatusConflict, ContentType: "application/problem+json",
			Body: []byte(`{"type":"about:blank","title":"Conflict","status":409,"detail":"this was done before; what it answered is shown only once"}`)}
	}
	return s.Source.FinishIdempotent(ctx, actor, key, a)
}

// secretAnswer marks an answer with a secret in it, which is kept nowhere.
const secretAnswer = "no-store, private"

type keepingWriter struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

// WriteHeader implements http.ResponseWriter.
func (w *keepingWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter.
func (w *keepingWriter) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	w.body.Write(b)
	return w.ResponseWriter.Write(b)
}
