package api

import (
	"context"
	"net/http"

	"underkeep/api/pages"
	"underkeep/api/signin"
	"underkeep/api/view"
)

// SignInMailer mails one-time links to sign in.
type SignInMailer = signin.Mailer

// OpenID lets people sign in at a provider of OpenID Connect.
type OpenID = signin.OpenID

func (s *server) pageAccess() pages.Access {
	return pages.Access{
		Bind: func(ctx context.Context, p view.Principal, source string) context.Context {
			return context.WithValue(s.bind(ctx, p, source), principalKey{}, p)
		},
		Source: func(r *http.Request) string { return source(r) },
		Allow:  s.signIns.allow,
		Mail:   s.mailWithAddress(), PublicURL: s.PublicURL, OpenID: s.OpenID,
	}
}

// mailWithAddress is the mailer, where links would lead anywhere: the address
// that a request names is the client's to choose and must not go into mail.
func (s *server) mailWithAddress() signin.Mailer {
	if s.PublicURL == "" {
		return nil
	}
	return s.Mail
}
