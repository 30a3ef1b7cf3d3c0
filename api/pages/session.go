package pages

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"underkeep/api/signin"
	"underkeep/api/view"
)

const (
	cookieName    = "underkeep_session"
	attemptCookie = "underkeep_openid"
	cookieDays    = 14 // as long as a session can last; the service may end it sooner
	attemptLife   = 10 * time.Minute
)

// Access is how the pages know who comes, and let them in.
type Access struct {
	// Bind gives a request's context its principal, for the database and the
	// audit log.
	Bind func(ctx context.Context, p view.Principal, source string) context.Context
	// Source is the address that a request came from.
	Source func(*http.Request) string
	// Allow says whether another try to sign in may come from an address, or
	// how long to wait.
	Allow func(source string) (wait time.Duration, ok bool)
	// Mail sends links to sign in, and PublicURL is what they begin with; nil:
	// none are offered.
	Mail      signin.Mailer
	PublicURL string
	OpenID    *signin.OpenID // nil: not offered
}

// sessions keeps people signed in: the cookie holds a secret whose hash the
// service knows, and each page asks anew who is behind it, so that ending it
// holds at once.
type sessions struct {
	key    []byte
	seal   cipher.AEAD // of what a browser carries to an OpenID provider and back
	secure bool
	now    func() time.Time
}

func newSessions(o Options) *sessions {
	key := o.SessionKey
	if len(key) == 0 {
		key = make([]byte, 32)
		_, _ = rand.Read(key) // never fails since Go 1.24
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		panic("pages: SessionKey: " + err.Error())
	}
	seal, err := cipher.NewGCM(block)
	if err != nil {
		panic("pages: SessionKey: " + err.Error())
	}
	return &sessions{key: key, seal: seal, secure: o.SecureCookies, now: o.Now}
}

func (s *sessions) start(w http.ResponseWriter, secret string) {
	s.set(w, cookieName, "/", secret, cookieDays*24*3600)
}

func (s *sessions) end(w http.ResponseWriter) { s.set(w, cookieName, "/", "", -1) }

func (s *sessions) set(w http.ResponseWriter, name, path, value string, maxAge int) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: value, Path: path, MaxAge: maxAge,
		HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode,
	})
}

// secret of the request's session; "" without one.
func (s *sessions) secret(r *http.Request) string {
	cookie, err := r.Cookie(cookieName)
	if err != nil || len(cookie.Value) > 200 {
		return ""
	}
	return cookie.Value
}

type sealedAttempt struct {
	signin.Attempt
	To    string
	Until time.Time
}

// carry gives the browser what its way to the provider must bring back.
func (s *sessions) carry(w http.ResponseWriter, a signin.Attempt, to string) {
	plain, err := json.Marshal(sealedAttempt{a, to, s.now().Add(attemptLife)})
	if err != nil {
		panic("pages: attempt: " + err.Error()) // strings and a time
	}
	nonce := make([]byte, s.seal.NonceSize())
	_, _ = rand.Read(nonce)
	sealed := s.seal.Seal(nonce, nonce, plain, []byte(attemptCookie))
	s.set(w, attemptCookie, "/sign-in/openid", base64.RawURLEncoding.EncodeToString(sealed), int(attemptLife.Seconds()))
}

// carried is what the browser brought back, once; the zero value when it is not
// ours or too old.
func (s *sessions) carried(w http.ResponseWriter, r *http.Request) (a sealedAttempt) {
	cookie, err := r.Cookie(attemptCookie)
	if err != nil {
		return a
	}
	s.set(w, attemptCookie, "/sign-in/openid", "", -1)
	sealed, err := base64.RawURLEncoding.DecodeString(cookie.Value)
	n := s.seal.NonceSize()
	if err != nil || len(sealed) < n {
		return a
	}
	plain, err := s.seal.Open(nil, sealed[:n], sealed[n:], []byte(attemptCookie))
	if err != nil || json.Unmarshal(plain, &a) != nil || !s.now().Before(a.Until) {
		return sealedAttempt{}
	}
	return a
}

// formKey of a session proves that a form came from our page. It is masked anew
// for each page, so that compression cannot be used to guess it.
func (s *sessions) formKey(secret string) string {
	mask := make([]byte, 16)
	_, _ = rand.Read(mask)
	return base64.RawURLEncoding.EncodeToString(append(mask, xor(mask, s.formMAC(secret))...))
}

func (s *sessions) formMAC(secret string) []byte {
	mac := hmac.New(sha256.New, s.key)
	mac.Write([]byte("form\x00" + secret))
	return mac.Sum(nil)[:16]
}

func (s *sessions) checkForm(secret, given string) bool {
	raw, err := base64.RawURLEncoding.DecodeString(given)
	return err == nil && len(raw) == 32 && hmac.Equal(xor(raw[:16], raw[16:]), s.formMAC(secret))
}

func xor(a, b []byte) []byte {
	out := make([]byte, len(a))
	for i := range a {
		out[i] = a[i] ^ b[i]
	}
	return out
}

// visit is one request by somebody who is signed in.
type visit struct {
	view.Principal
	secret string
}

type visitKey struct{}

func visitOf(r *http.Request) visit {
	v, _ := r.Context().Value(visitKey{}).(visit)
	return v
}

// signedIn lets a request through that has a valid session; others are sent to
// sign in and come back.
func (p *pages) signedIn(next http.Handler) http.Handler {
	done := p.noted(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secret := p.sessions.secret(r)
		who, err := view.Principal{}, view.ErrNotFound
		if secret != "" {
			who, err = p.Source.CheckSession(r.Context(), secret)
		}
		switch {
		case errors.Is(err, view.ErrNotFound):
			http.Redirect(w, r, signInFor(r), http.StatusSeeOther)
		case err != nil:
			p.fail(w, r, err)
		default:
			ctx := p.Access.Bind(r.Context(), who, p.Access.Source(r))
			done.ServeHTTP(w, r.WithContext(context.WithValue(ctx, visitKey{}, visit{who, secret})))
		}
	})
}

// noted puts what was done with a form into the audit log.
func (p *pages) noted(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		seen := &statusWriter{ResponseWriter: w}
		next.ServeHTTP(seen, r)
		if seen.status >= 400 {
			return
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), 5*time.Second)
		defer cancel()
		err := p.Source.Note(ctx, view.AuditEntry{Actor: visitOf(r).Actor, Action: "write", Object: r.URL.Path, Source: p.Access.Source(r), Detail: "on the page"})
		if err != nil {
			p.Logger.ErrorContext(ctx, "audit log", "path", r.URL.Path, "error", err)
		}
	})
}

// statusWriter remembers the status.
type statusWriter struct {
	http.ResponseWriter
	status int
}

// WriteHeader implements http.ResponseWriter.
func (w *statusWriter) WriteHeader(status int) {
	w.status = status
	w.ResponseWriter.WriteHeader(status)
}

// Unwrap is for http.ResponseController.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func signInFor(r *http.Request) string {
	if r.Method != http.MethodGet || r.URL.Path == "/" {
		return "/sign-in"
	}
	return "/sign-in?to=" + url.QueryEscape(r.URL.RequestURI())
}

// ownPath keeps a redirect on this site.
func ownPath(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") || strings.HasPrefix(to, "/sign-") {
		return "/"
	}
	return to
}
