package main

import (
	"context"
	"flag"
	"fmt"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"time"

	"underkeep/alerting/notify"
	"underkeep/api"
	"underkeep/api/signin"
	"underkeep/store"
)

// access is how people and programs get in.
type access struct {
	trustedProxies string // addresses or networks, by comma
	openID         signin.OpenIDConfig
	secretFile     string
}

func (c *config) accessFlags(fs *flag.FlagSet) {
	a := &c.access
	fs.StringVar(&a.trustedProxies, "trusted-proxies", os.Getenv("UNDERKEEP_TRUSTED_PROXIES"), "`networks`, by comma, whose X-Forwarded-For is believed, as 10.0.0.0/8; empty: nobody's")
	fs.StringVar(&a.openID.Issuer, "oidc-issuer", os.Getenv("UNDERKEEP_OIDC_ISSUER"), "`URL` of an OpenID Connect provider; empty: none")
	fs.StringVar(&a.openID.ClientID, "oidc-client-id", os.Getenv("UNDERKEEP_OIDC_CLIENT_ID"), "what this service is called there")
	fs.StringVar(&a.secretFile, "oidc-client-secret-file", os.Getenv("UNDERKEEP_OIDC_CLIENT_SECRET_FILE"), "`file` with the secret that goes with it")
	fs.StringVar(&a.openID.Name, "oidc-name", env("UNDERKEEP_OIDC_NAME", "your company's account"), "what the provider is called on the page")
}

// apply fills in what the API needs to know of who comes.
func (a *access) apply(o *api.Options, publicURL string) error {
	o.Limits = api.DefaultLimits()
	o.PublicURL = publicURL
	for text := range strings.SplitSeq(a.trustedProxies, ",") {
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		p, err := parseNetwork(text)
		if err != nil {
			return fmt.Errorf("trusted proxies: %w", err)
		}
		o.TrustedProxies = append(o.TrustedProxies, p)
	}
	if a.openID.Issuer == "" {
		return nil
	}
	c := a.openID
	c.RedirectURL = strings.TrimRight(publicURL, "/") + "/sign-in/openid/back"
	if a.secretFile != "" {
		secret, err := os.ReadFile(a.secretFile)
		if err != nil {
			return fmt.Errorf("secret for OpenID Connect: %w", err)
		}
		c.ClientSecret = strings.TrimSpace(string(secret))
	}
	var err error
	o.OpenID, err = signin.NewOpenID(c)
	return err
}

func parseNetwork(text string) (netip.Prefix, error) {
	if a, err := netip.ParseAddr(text); err == nil {
		return netip.PrefixFrom(a, a.BitLen()), nil
	}
	return netip.ParsePrefix(text)
}

// linkMailer hands links to sign in to the outbox.
type linkMailer struct{ deliverer *notify.Deliverer }

// SendSignInLink implements signin.Mailer.
func (m linkMailer) SendSignInLink(ctx context.Context, l signin.Link) error {
	id, err := strconv.ParseInt(l.Person, 10, 32)
	if err != nil {
		return fmt.Errorf("person %q: %w", l.Person, err)
	}
	p := store.Person{ID: int32(id), Name: l.Name, Email: l.Email, Language: l.Language}
	// The outbox is the service's own, whoever asked for the link.
	return m.deliverer.SendInvitation(store.WithScope(ctx, store.AllProperties), p, l.URL, l.InvitedBy, time.Until(l.Expires).Round(time.Minute))
}

// accessWork removes sessions, links and stored answers that have served their
// time.
func (s *service) accessWork() []store.Periodic {
	return []store.Periodic{
		{Name: "access", Every: time.Hour, Run: func(ctx context.Context) error { return s.store.SweepAccess(ctx, time.Now()) }},
	}
}

// recheckGateways ends connections of gateways as soon as their password is
// revoked, and within a minute of its running out.
func (s *service) recheckGateways(ctx context.Context) {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.store.RegistryChanged():
		case <-tick.C:
		}
		s.broker.Recheck()
	}
}

// warnUnseparated says when the database has no roles for the service.
func (s *service) warnUnseparated(ctx context.Context) error {
	separated, err := s.store.Separated(ctx)
	if err == nil && !separated {
		s.log.Warn("the API runs on the role that owns the tables; row-level security holds, but have an administrator make the roles of deploy/postgres/roles.sql")
	}
	return err
}
