package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"strings"
	"time"
)

// writeJSON answers a GET with an entity tag over the body, so that a client
// that polls is told in a few bytes that nothing changed.
func (s *server) writeJSON(w http.ResponseWriter, r *http.Request, status int, body any) {
	var buf bytes.Buffer
	if err := json.NewEncoder(&buf).Encode(body); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Add("Vary", "Authorization, Accept")
	sendTagged(w, r, status, "application/json", buf.Bytes())
}

// writeSecret answers with something that is shown once and kept nowhere.
func (s *server) writeSecret(w http.ResponseWriter, r *http.Request, status int, body any) {
	s.writeJSON(secretWriter{w}, r, status, body)
}

type secretWriter struct{ http.ResponseWriter }

// WriteHeader implements http.ResponseWriter.
func (w secretWriter) WriteHeader(status int) {
	w.Header().Set("Cache-Control", secretAnswer)
	w.ResponseWriter.WriteHeader(status)
}

func sendTagged(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	if r.Method == http.MethodGet && status == http.StatusOK {
		sum := sha256.Sum256(body)
		tag := `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`
		w.Header().Set("ETag", tag)
		if matches(r.Header.Get("If-None-Match"), tag) {
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	w.Header().Set("Content-Type", contentType)
	w.WriteHeader(status)
	_, _ = w.Write(body) // the client may be gone
}

// matches compares weakly, as RFC 9110 section 13.1.2 asks for If-None-Match.
func matches(header, tag string) bool {
	for candidate := range strings.SplitSeq(header, ",") {
		candidate = strings.TrimPrefix(strings.TrimSpace(candidate), "W/")
		if candidate == tag || candidate == "*" {
			return true
		}
	}
	return false
}

// stamp writes a time as RFC 3339 in UTC; nil for the zero time.
func stamp(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	text := t.UTC().Format(time.RFC3339Nano)
	return &text
}

func orNull(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}
