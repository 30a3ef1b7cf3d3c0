package pages_test

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"underkeep/api"
	"underkeep/api/signin"
	"underkeep/api/viewtest"
)

func credentials(email, password string) url.Values {
	return url.Values{"email": {email}, "password": {password}, "to": {"/properties/heron-07"}}
}

func TestSignInByPassword(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.expect(b.page("/sign-in?to=/properties/heron-07"), `autocomplete="current-password"`, `value="/properties/heron-07"`)
	res := b.send("POST", "/sign-in", credentials("owner@example.org", viewtest.Password))
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/properties/heron-07" {
		t.Fatalf("%d to %q", res.StatusCode, res.Header.Get("Location"))
	}
	cookies := res.Cookies()
	if len(cookies) != 1 || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteLaxMode || cookies[0].Path != "/" {
		t.Errorf("%+v", cookies)
	}
	b.keep(res)
	b.expect(b.page("/properties/heron-07"), "R. Okafor")
}

// TestWrongAndUnknownLookAlike: the page does not say whether an address is known.
func TestWrongAndUnknownLookAlike(t *testing.T) {
	t.Parallel()
	b := open(t)
	var pages [2]string
	for i, email := range []string{"owner@example.org", "guess@example.org"} {
		res := b.send("POST", "/sign-in", credentials(email, "wrong "+viewtest.Password))
		pages[i] = strings.ReplaceAll(text(res), email, "EMAIL")
		if res.StatusCode != http.StatusUnauthorized || len(res.Cookies()) > 0 {
			t.Errorf("%s: %d, %v", email, res.StatusCode, res.Cookies())
		}
	}
	if pages[0] != pages[1] {
		t.Errorf("a wrong password and an unknown address are told apart:\n%s\n%s", pages[0], pages[1])
	}
	b.expect(pages[0], "Not accepted", `role="alert"`)
	if strings.Contains(pages[0], viewtest.Password) {
		t.Error("the page repeats the password")
	}
}

func TestTooManyTriesSayHowLong(t *testing.T) {
	t.Parallel()
	b := open(t)
	for range 5 {
		b.send("POST", "/sign-in", credentials("owner@example.org", "guess"))
	}
	res := b.send("POST", "/sign-in", credentials("owner@example.org", viewtest.Password))
	if res.StatusCode != http.StatusTooManyRequests || res.Header.Get("Retry-After") != "60" {
		t.Errorf("%d, Retry-After %q", res.StatusCode, res.Header.Get("Retry-After"))
	}
	b.expect(text(res), "Too many tries", "60 seconds")
	// Whoever guessed has locked nobody else out.
	if res := b.send("POST", "/sign-in", credentials("dana@example.org", viewtest.Password)); res.StatusCode != http.StatusSeeOther {
		t.Errorf("somebody else: %d", res.StatusCode)
	}
}

// mailbox takes the links in place of a mail server.
type mailbox chan signin.Link

func (m mailbox) SendSignInLink(_ context.Context, l signin.Link) error {
	m <- l
	return nil
}

func openWithMail(t *testing.T) (*browser, mailbox) {
	t.Helper()
	m := make(mailbox, 10)
	fleet := viewtest.New()
	h := api.New(api.Options{Source: fleet, Now: func() time.Time { return viewtest.Now }, Mail: m, PublicURL: "https://keep.example.org/"})
	return &browser{t: t, fleet: fleet, h: h}, m
}

func (m mailbox) next(t *testing.T) signin.Link {
	t.Helper()
	select {
	case l := <-m:
		return l
	case <-time.After(20 * time.Second):
		t.Fatal("no mail")
		return signin.Link{}
	}
}

func TestAMailedLinkWorksOnceAndOnlyByItsButton(t *testing.T) {
	t.Parallel()
	b, mail := openWithMail(t)
	b.expect(b.page("/sign-in"), `action="/sign-in/link"`)
	b.expect(text(b.send("POST", "/sign-in/link", url.Values{"email": {"owner@example.org"}})), "Look into your mail", "owner@example.org")
	link := mail.next(t)
	path, ok := strings.CutPrefix(link.URL, "https://keep.example.org")
	if !ok || link.Email != "owner@example.org" || !link.Expires.After(viewtest.Now) {
		t.Fatalf("%+v", link)
	}
	// What looks at mail before its reader does opens the link, maybe often.
	var page string
	for _, method := range []string{"GET", "GET"} {
		res := b.send(method, path, nil)
		if page = text(res); res.StatusCode != http.StatusOK || len(res.Cookies()) > 0 {
			t.Fatalf("%s: %d, %v", method, res.StatusCode, res.Cookies())
		}
		if res.Header.Get("Referrer-Policy") != "no-referrer" || !strings.Contains(res.Header.Get("Cache-Control"), "no-store") {
			t.Errorf("the secret in the address may get out: %v", res.Header)
		}
	}
	if m := regexp.MustCompile(`<form method="post" action="([^"]*)"`).FindStringSubmatch(page); m == nil || m[1] != path {
		t.Fatalf("the button leads elsewhere: %v", m)
	}
	if res := b.send("POST", path, url.Values{}, "Sec-Fetch-Site", "cross-site"); res.StatusCode != http.StatusForbidden {
		t.Errorf("from another site: %d", res.StatusCode)
	}
	res := b.send("POST", path, url.Values{})
	if res.StatusCode != http.StatusSeeOther || len(res.Cookies()) != 1 {
		t.Fatalf("%d %v: %s", res.StatusCode, res.Cookies(), text(res))
	}
	again := b.send("POST", path, url.Values{})
	if again.StatusCode != http.StatusGone || len(again.Cookies()) > 0 {
		t.Errorf("the second time: %d, %v", again.StatusCode, again.Cookies())
	}
	b.keep(res)
	b.expect(b.page("/properties/heron-07"), "R. Okafor")
}

func TestNobodyLearnsWhoIsKnownByAskingForLinks(t *testing.T) {
	t.Parallel()
	b, mail := openWithMail(t)
	ask := func(email string) string {
		res := b.send("POST", "/sign-in/link", url.Values{"email": {email}})
		if res.StatusCode != http.StatusOK {
			t.Errorf("%s: %d", email, res.StatusCode)
		}
		return strings.ReplaceAll(text(res), email, "EMAIL")
	}
	if stranger, known := ask("guess@example.org"), ask("dana@example.org"); stranger != known {
		t.Errorf("told apart:\n%s\n%s", stranger, known)
	}
	if l := mail.next(t); l.Email != "dana@example.org" {
		t.Errorf("mail to %s", l.Email)
	}
	if len(mail) > 0 {
		t.Errorf("mail to %s", (<-mail).Email)
	}
	for _, path := range []string{"/sign-in/link/guess", "/sign-in/link/" + strings.Repeat("x", 500), "/sign-in/link/%2F..%2F"} {
		if res := b.send("POST", path, url.Values{}); res.StatusCode != http.StatusGone || len(res.Cookies()) > 0 {
			t.Errorf("%.40s: %d", path, res.StatusCode)
		}
	}
}

func TestWithoutMailNoLinksAreOffered(t *testing.T) {
	t.Parallel()
	b := open(t)
	if strings.Contains(b.page("/sign-in"), "/sign-in/link") {
		t.Error("a link is offered that nobody can send")
	}
	if res := b.send("POST", "/sign-in/link", url.Values{"email": {"owner@example.org"}}); res.StatusCode != http.StatusNotFound {
		t.Errorf("status %d", res.StatusCode)
	}
}
