package pages

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"underkeep/api/view"
)

const (
	cookieName   = "underkeep_session"
	sessionHours = 12
)

// sessions keeps people signed in without state of its own: the cookie carries
// the token and its end, sealed, and the token is checked anew with every page,
// so that revoking it ends the session at once. A stolen cookie gives neither
// the token nor more than the rest of its hours.
type sessions struct {
	seal   cipher.AEAD
	key    []byte
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
	return &sessions{seal: seal, key: key, secure: o.SecureCookies, now: o.Now}
}

func (s *sessions) start(w http.ResponseWriter, token string) {
	nonce := make([]byte, s.seal.NonceSize())
	_, _ = rand.Read(nonce)
	end := s.now().Add(sessionHours * time.Hour)
	plain := append(binary.BigEndian.AppendUint64(nil, uint64(end.Unix())), token...)
	sealed := s.seal.Seal(nonce, nonce, plain, []byte(cookieName))
	s.set(w, base64.RawURLEncoding.EncodeToString(sealed), sessionHours*3600)
}

func (s *sessions) end(w http.ResponseWriter) { s.set(w, "", -1) }

func (s *sessions) set(w http.ResponseWriter, value string, maxAge int) {
	http.SetCookie(w, &http.Cookie{
		Name: cookieName, Value: value, Path: "/", MaxAge: maxAge,
		HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode,
	})
}

// token of the request's session; "" without a valid one.
func (s *sessions) token(r *http.Request) string {
	cookie, err := r.Cookie(cookieName)
	if err != nil {
		return ""
	}
	sealed, err := base64.RawURLEncoding.DecodeString(cookie.Value)
	n := s.seal.NonceSize()
	if err != nil || len(sealed) < n {
		return ""
	}
	plain, err := s.seal.Open(nil, sealed[:n], sealed[n:], []byte(cookieName))
	if err != nil || len(plain) < 8 || s.now().Unix() >= int64(binary.BigEndian.Uint64(plain)) {
		return ""
	}
	return string(plain[8:])
}

// formKey of a session proves that a form came from our page. It is masked anew
// for each page, so that compression cannot be used to guess it.
func (s *sessions) formKey(token string) string {
	mask := make([]byte, 16)
	_, _ = rand.Read(mask)
	return base64.RawURLEncoding.EncodeToString(append(mask, xor(mask, s.formMAC(token))...))
}

func (s *sessions) formMAC(token string) []byte {
	mac := hmac.New(sha256.New, s.key)
	mac.Write([]byte("form\x00" + token))
	return mac.Sum(nil)[:16]
}

func (s *sessions) checkForm(token, given string) bool {
	raw, err := base64.RawURLEncoding.DecodeString(given)
	return err == nil && len(raw) == 32 && hmac.Equal(xor(raw[:16], raw[16:]), s.formMAC(token))
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
	token string
}

type visitKey struct{}

func visitOf(r *http.Request) visit {
	v, _ := r.Context().Value(visitKey{}).(visit)
	return v
}

// signedIn lets a request through that has a valid session; others are sent to
// sign in and come back.
func (p *pages) signedIn(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		token := p.sessions.token(r)
		who, err := view.Principal{}, view.ErrNotFound
		if token != "" {
			who, err = p.Source.Authenticate(r.Context(), token)
		}
		switch {
		case errors.Is(err, view.ErrNotFound):
			http.Redirect(w, r, signInFor(r), http.StatusSeeOther)
		case err != nil:
			p.fail(w, r, err)
		default:
			next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), visitKey{}, visit{who, token})))
		}
	})
}

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
