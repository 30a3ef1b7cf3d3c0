package signin

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"sync"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// ErrRefused says that the provider's answer does not let anybody in; wrapped
// with the reason.
var ErrRefused = errors.New("sign-in refused")

// OpenIDConfig names a provider of OpenID Connect.
type OpenIDConfig struct {
	Issuer       string // https://…, as the provider names itself
	ClientID     string
	ClientSecret string
	RedirectURL  string // …/sign-in/openid/back
	Name         string // what the button says
}

// OpenID signs people in at a provider by the authorization code flow with
// state, nonce and PKCE (OpenID Connect Core 1.0, RFC 7636). The provider says
// who somebody is; whether they may come in is ours to say.
type OpenID struct {
	config OpenIDConfig

	mu       sync.Mutex
	provider *oidc.Provider // nil until it answered for the first time
}

// NewOpenID does not ask the provider yet: that it is away must not keep the
// service from starting.
func NewOpenID(c OpenIDConfig) (*OpenID, error) {
	if c.Issuer == "" || c.ClientID == "" || c.RedirectURL == "" {
		return nil, errors.New("OpenID Connect needs an issuer, a client id and the public address of the pages")
	}
	if !strings.HasPrefix(c.Issuer, "https://") && !strings.HasPrefix(c.Issuer, "http://127.0.0.1") {
		return nil, fmt.Errorf("OpenID Connect issuer %q: https is needed", c.Issuer)
	}
	return &OpenID{config: c}, nil
}

// Name is what the button says.
func (o *OpenID) Name() string { return o.config.Name }

// Attempt is one person's way to the provider and back. It stays in their
// browser, in a cookie, and ties the answer to that browser.
type Attempt struct {
	State, Nonce, Verifier string
}

func random() string {
	var b [32]byte
	rand.Read(b[:]) // never fails, crypto/rand
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// Begin is where to send the browser.
func (o *OpenID) Begin(ctx context.Context) (address string, a Attempt, err error) {
	client, _, err := o.client(ctx)
	if err != nil {
		return "", Attempt{}, err
	}
	a = Attempt{State: random(), Nonce: random(), Verifier: oauth2.GenerateVerifier()}
	return client.AuthCodeURL(a.State, oidc.Nonce(a.Nonce), oauth2.S256ChallengeOption(a.Verifier)), a, nil
}

func (o *OpenID) client(ctx context.Context) (*oauth2.Config, *oidc.Provider, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.provider == nil {
		// The provider keeps the context for fetching keys later.
		p, err := oidc.NewProvider(context.WithoutCancel(ctx), o.config.Issuer)
		if err != nil {
			return nil, nil, fmt.Errorf("ask OpenID provider %s: %w", o.config.Issuer, err)
		}
		o.provider = p
	}
	return &oauth2.Config{
		ClientID: o.config.ClientID, ClientSecret: o.config.ClientSecret, RedirectURL: o.config.RedirectURL,
		Endpoint: o.provider.Endpoint(), Scopes: []string{oidc.ScopeOpenID, "email"},
	}, o.provider, nil
}

// Finish takes what the provider sent the browser back with and says whose
// e-mail address it vouches for.
func (o *OpenID) Finish(ctx context.Context, a Attempt, state, code string) (email string, err error) {
	if a.State == "" || subtle.ConstantTimeCompare([]byte(a.State), []byte(state)) != 1 {
		return "", fmt.Errorf("the answer belongs to no sign-in of this browser: %w", ErrRefused)
	}
	client, provider, err := o.client(ctx)
	if err != nil {
		return "", err
	}
	token, err := client.Exchange(ctx, code, oauth2.VerifierOption(a.Verifier))
	if err != nil {
		return "", fmt.Errorf("%w: exchange the code: %w", ErrRefused, err)
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		return "", fmt.Errorf("the provider sent no id_token: %w", ErrRefused)
	}
	id, err := provider.Verifier(&oidc.Config{ClientID: o.config.ClientID}).Verify(ctx, raw)
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrRefused, err)
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(a.Nonce)) != 1 {
		return "", fmt.Errorf("the answer was made for another sign-in: %w", ErrRefused)
	}
	var claims struct {
		Email    string `json:"email"`
		Verified bool   `json:"email_verified"`
	}
	if err := id.Claims(&claims); err != nil {
		return "", fmt.Errorf("%w: claims: %w", ErrRefused, err)
	}
	if claims.Email == "" || !claims.Verified {
		return "", fmt.Errorf("the provider does not vouch for an e-mail address: %w", ErrRefused)
	}
	return claims.Email, nil
}
