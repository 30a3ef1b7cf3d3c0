// Package signin is what letting people in needs from outside: a way to mail a
// link, and an OpenID Connect provider.
package signin

import (
	"context"
	"time"
)

// Link is a one-time link for somebody who asked for one. Opening it signs
// nobody in: programs that look at mail open links, too. The page behind it has
// a button.
type Link struct {
	Person      string // number
	Name, Email string
	Language    string // en or es
	URL         string
	InvitedBy   string // who invites them; "" when they asked themselves
	Expires     time.Time
}

// Mailer sends a link. It is called in the background, so it may take its time;
// what fails is its own to repeat and to report.
type Mailer interface {
	SendSignInLink(ctx context.Context, link Link) error
}
