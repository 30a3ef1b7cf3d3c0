package pages_test

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"underkeep/api"
	"underkeep/api/signin"
	"underkeep/api/viewtest"
)

// provider is a small OpenID Connect provider on loopback: discovery (OpenID
// Connect Discovery 1.0, section 4), keys (RFC 7517), and a token endpoint that
// verifies the PKCE code verifier (RFC 7636, section 4.6) and uses a code once
// (RFC 6749, section 4.1.2).
type provider struct {
	t      *testing.T
	url    string
	key    *rsa.PrivateKey
	change func(claims map[string]any) // what a bad provider or a mix-up says instead
	signer *rsa.PrivateKey

	mu    sync.Mutex
	asked map[string]url.Values // code → what the browser came with
	used  int
}

const clientID, clientSecret = "underkeep-pages", "client-secret"

func newProvider(t *testing.T) *provider {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	p := &provider{t: t, key: key, signer: key, asked: map[string]url.Values{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", p.discovery)
	mux.HandleFunc("GET /keys", p.keys)
	mux.HandleFunc("POST /token", p.token)
	srv := httptest.NewServer(mux)
	t.Cleanup(srv.Close)
	p.url = srv.URL
	return p
}

func (p *provider) write(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	if err := json.NewEncoder(w).Encode(v); err != nil {
		p.t.Error(err)
	}
}

func (p *provider) discovery(w http.ResponseWriter, _ *http.Request) {
	p.write(w, http.StatusOK, map[string]any{
		"issuer": p.url, "authorization_endpoint": p.url + "/authorize", "token_endpoint": p.url + "/token", "jwks_uri": p.url + "/keys",
		"response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"},
		"id_token_signing_alg_values_supported": []string{"RS256"}, "code_challenge_methods_supported": []string{"S256"},
	})
}

func (p *provider) keys(w http.ResponseWriter, _ *http.Request) {
	p.write(w, http.StatusOK, map[string]any{"keys": []any{map[string]string{
		"kty": "RSA", "use": "sig", "alg": "RS256", "kid": "1",
		"n": b64(p.key.N.Bytes()), "e": b64(big.NewInt(int64(p.key.E)).Bytes()),
	}}})
}

func b64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// authorize is what the provider does once somebody has signed in there: it takes
// the address the browser was sent to, and sends it back with a code.
func (p *provider) authorize(address string) (state, code string) {
	p.t.Helper()
	u, err := url.Parse(address)
	if err != nil || !strings.HasPrefix(address, p.url+"/authorize?") {
		p.t.Fatalf("sent to %q: %v", address, err)
	}
	q := u.Query()
	for name, want := range map[string]string{"response_type": "code", "client_id": clientID, "code_challenge_method": "S256",
		"redirect_uri": "http://127.0.0.1:8080/sign-in/openid/back"} {
		if q.Get(name) != want {
			p.t.Errorf("%s is %q, want %q", name, q.Get(name), want)
		}
	}
	for _, name := range []string{"state", "nonce", "code_challenge"} {
		if len(q.Get(name)) < 43 { // 256 random bits, and a SHA-256
			p.t.Errorf("%s is %q", name, q.Get(name))
		}
	}
	code = rand.Text()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked[code] = q
	return q.Get("state"), code
}

func (p *provider) token(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	user, secret, basic := r.BasicAuth()
	if !basic {
		user, secret = r.PostFormValue("client_id"), r.PostFormValue("client_secret")
	}
	asked := p.asked[r.PostFormValue("code")]
	delete(p.asked, r.PostFormValue("code"))
	verifier := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if user != clientID || secret != clientSecret || asked == nil || b64(verifier[:]) != asked.Get("code_challenge") {
		p.write(w, http.StatusBadRequest, map[string]string{"error": "invalid_grant"})
		return
	}
	claims := map[string]any{"iss": p.url, "sub": "somebody", "aud": clientID, "iat": time.Now().Unix(), "exp": time.Now().Add(time.Minute).Unix(),
		"nonce": asked.Get("nonce"), "email": "owner@example.org", "email_verified": true}
	if p.change != nil {
		p.change(claims)
	}
	p.used++
	p.write(w, http.StatusOK, map[string]any{"access_token": "unused", "token_type": "Bearer", "id_token": p.sign(claims)})
}

// sign makes a JSON Web Signature in compact form, RS256 (RFC 7515, RFC 7518).
func (p *provider) sign(claims map[string]any) string {
	payload, err := json.Marshal(claims)
	if err != nil {
		p.t.Error(err)
	}
	text := b64([]byte(`{"alg":"RS256","kid":"1"}`)) + "." + b64(payload)
	sum := sha256.Sum256([]byte(text))
	sig, err := rsa.SignPKCS1v15(rand.Reader, p.signer, crypto.SHA256, sum[:])
	if err != nil {
		p.t.Error(err)
	}
	return text + "." + b64(sig)
}

func openWithProvider(t *testing.T, p *provider) *browser {
	t.Helper()
	o, err := signin.NewOpenID(signin.OpenIDConfig{Issuer: p.url, ClientID: clientID, ClientSecret: clientSecret,
		RedirectURL: "http://127.0.0.1:8080/sign-in/openid/back", Name: "Skerry Bank accounts"})
	if err != nil {
		t.Fatal(err)
	}
	fleet := viewtest.New()
	h := api.New(api.Options{Source: fleet, Now: func() time.Time { return viewtest.Now }, OpenID: o})
	return &browser{t: t, fleet: fleet, h: h}
}

// leave is the way to the provider; the browser keeps the cookie.
func (b *browser) leave(to string) (address string) {
	b.t.Helper()
	res := b.send("GET", "/sign-in/openid?to="+url.QueryEscape(to), nil)
	if res.StatusCode != http.StatusSeeOther {
		b.t.Fatalf("on the way to the provider: %d %s", res.StatusCode, text(res))
	}
	b.keep(res)
	return res.Header.Get("Location")
}

func (b *browser) keep(res *http.Response) {
	for _, c := range res.Cookies() {
		if c.MaxAge >= 0 {
			b.cookie = c.Name + "=" + c.Value
		}
	}
}

func (b *browser) back(state, code string) *http.Response {
	b.t.Helper()
	return b.send("GET", "/sign-in/openid/back?"+url.Values{"state": {state}, "code": {code}}.Encode(), nil)
}

// notLetIn expects a refusal that starts no session.
func notLetIn(t *testing.T, res *http.Response) {
	t.Helper()
	if res.StatusCode != http.StatusForbidden {
		t.Errorf("status %d, want 403: %s", res.StatusCode, res.Header.Get("Location"))
	}
	for _, c := range res.Cookies() {
		if c.MaxAge >= 0 && c.Value != "" {
			t.Errorf("cookie %s is set", c.Name)
		}
	}
}

func TestSignInAtAProvider(t *testing.T) {
	t.Parallel()
	p := newProvider(t)
	b := openWithProvider(t, p)
	b.expect(b.page("/sign-in"), "Sign in with Skerry Bank accounts")
	state, code := p.authorize(b.leave("/properties/heron-07"))
	attempt := b.cookie
	res := b.back(state, code)
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/properties/heron-07" {
		t.Fatalf("%d to %q: %s", res.StatusCode, res.Header.Get("Location"), text(res))
	}
	b.keep(res)
	b.expect(b.page("/properties/heron-07"), "R. Okafor")
	b.cookie = attempt
	notLetIn(t, b.back(state, code)) // the code is used up
	if p.used != 1 {
		t.Errorf("%d tokens were issued, want 1", p.used)
	}
}

func TestProviderSendsNobodyElsewhere(t *testing.T) {
	t.Parallel()
	p := newProvider(t)
	b := openWithProvider(t, p)
	state, code := p.authorize(b.leave("https://elsewhere.example/"))
	if to := b.back(state, code).Header.Get("Location"); to != "/" {
		t.Errorf("sent to %q", to)
	}
}

func TestAnswersToOtherSignInsAreRefused(t *testing.T) {
	t.Parallel()
	p := newProvider(t)
	b := openWithProvider(t, p)
	state, code := p.authorize(b.leave("/"))
	cookie := b.cookie
	notLetIn(t, b.back(state+"x", code))
	notLetIn(t, b.back("", code))
	b.cookie = "" // another browser: somebody was made to follow a link
	notLetIn(t, b.back(state, code))
	b.cookie = cookie[:len(cookie)-4] + "AAAA"
	notLetIn(t, b.back(state, code))
	// The code of one sign-in under the state of another of the same browser: its
	// verifier is not the one that the code was asked with.
	_, first := p.authorize(b.leave("/"))
	second, _ := p.authorize(b.leave("/"))
	notLetIn(t, b.back(second, first))
	if p.used != 0 {
		t.Errorf("the provider issued %d tokens", p.used)
	}
}

func TestTokensThatProveNothingAreRefused(t *testing.T) {
	t.Parallel()
	p := newProvider(t)
	stranger, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	set := func(name string, value any) func(map[string]any) { return func(c map[string]any) { c[name] = value } }
	for name, change := range map[string]func(map[string]any){
		"another nonce":        set("nonce", "of another sign-in"),
		"no nonce":             func(c map[string]any) { delete(c, "nonce") },
		"another audience":     set("aud", "another-client"),
		"another issuer":       set("iss", "https://elsewhere.example"),
		"expired":              set("exp", time.Now().Add(-time.Hour).Unix()),
		"address of nobody":    set("email", "stranger@example.org"),
		"no address":           set("email", ""),
		"not verified":         set("email_verified", false),
		"silent about it":      func(c map[string]any) { delete(c, "email_verified") },
		"signed by a stranger": func(map[string]any) { p.signer = stranger },
	} {
		p.change, p.signer = change, p.key
		b := openWithProvider(t, p)
		state, code := p.authorize(b.leave("/"))
		t.Log(name)
		notLetIn(t, b.back(state, code))
	}
	if p.used != 10 {
		t.Errorf("%d of 10 answers came as far as the token", p.used)
	}
}

func TestAProviderThatIsAwayKeepsNobodyOut(t *testing.T) {
	t.Parallel()
	p := newProvider(t)
	b := openWithProvider(t, p)
	o, err := signin.NewOpenID(signin.OpenIDConfig{Issuer: "http://127.0.0.1:1", ClientID: clientID, RedirectURL: "http://127.0.0.1:8080/sign-in/openid/back", Name: "x"})
	if err != nil {
		t.Fatal(err)
	}
	b.h = api.New(api.Options{Source: b.fleet, Now: func() time.Time { return viewtest.Now }, OpenID: o})
	if res := b.send("GET", "/sign-in/openid", nil); res.StatusCode < 500 {
		t.Errorf("status %d", res.StatusCode)
	}
	if res := b.signIn(viewtest.OwnerToken); res.StatusCode != http.StatusSeeOther {
		t.Errorf("by token: %d", res.StatusCode)
	}
	if _, err := signin.NewOpenID(signin.OpenIDConfig{Issuer: "http://id.example.org", ClientID: "x", RedirectURL: "x"}); err == nil {
		t.Error("an issuer over plain http is accepted")
	}
}
