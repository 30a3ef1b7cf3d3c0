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

// fill sends the form with the button as a browser would, its hidden fields
// with what is given laid over them.
func (b *browser) fill(page, button string, fields ...string) *http.Response {
	b.t.Helper()
	for _, f := range regexp.MustCompile(`(?s)<form[^>]*method="post"[^>]*>.*?</form>`).FindAllString(page, -1) {
		if !strings.Contains(f, button) {
			continue
		}
		form := url.Values{}
		for _, m := range regexp.MustCompile(`<input type="hidden" name="([a-z_]+)" value="([^"]*)">`).FindAllStringSubmatch(f, -1) {
			form.Set(m[1], m[2])
		}
		for i := 0; i+1 < len(fields); i += 2 {
			form.Add(fields[i], fields[i+1])
		}
		return b.send("POST", regexp.MustCompile(`action="([^"]+)"`).FindStringSubmatch(f)[1], form)
	}
	b.t.Fatalf("no form with %q", button)
	return nil
}

// goesTo follows the way from a form that was accepted.
func (b *browser) goesTo(res *http.Response) string {
	b.t.Helper()
	if res.StatusCode != http.StatusSeeOther {
		b.t.Fatalf("%d %s", res.StatusCode, text(res))
	}
	return b.page(res.Header.Get("Location"))
}

// besides expects a refusal with its reason beside the field.
func (b *browser) besides(res *http.Response, field, reason string) string {
	b.t.Helper()
	body := text(res)
	beside := regexp.MustCompile(`id="` + field + `-w" role="alert">([^<]*)<`).FindStringSubmatch(body)
	switch {
	case res.StatusCode != http.StatusUnprocessableEntity || beside == nil:
		b.t.Errorf("%d, and nothing beside %s", res.StatusCode, field)
	case !strings.Contains(beside[1], reason) || !strings.Contains(body, `aria-describedby="`):
		b.t.Errorf("beside %s stands %q, want %q", field, beside[1], reason)
	}
	return body
}

// outbox keeps links instead of mailing them.
type outbox struct{ links []signin.Link }

func (o *outbox) SendSignInLink(_ context.Context, l signin.Link) error {
	o.links = append(o.links, l)
	return nil
}

func TestPeopleAreAddedInvitedLockedAndLetIn(t *testing.T) {
	t.Parallel()
	fleet, mail := viewtest.New(), &outbox{}
	b := &browser{t: t, fleet: fleet, h: api.New(api.Options{Source: fleet, Now: func() time.Time { return viewtest.Now }, Mail: mail, PublicURL: "https://watch.example"})}
	b.signIn(viewtest.ManagerToken)
	b.expect(b.page("/settings/people"), "Lee Marsh", "heron-07, tern-12", "lee@example.org")
	if only := b.page("/settings/people?role=owner"); strings.Contains(only, "Lee Marsh") {
		t.Error("a technician among the owners")
	}
	form := b.page("/settings/people/new")
	b.besides(b.fill(form, "Add the person", "name", "", "role", "technician", "email", "x@example.org", "language", "en"), "person-name", "needs a name")
	b.besides(b.fill(form, "Add the person", "name", "Ana Sol", "role", "technician", "email", "lee@example.org", "language", "en"), "person-email", "already")
	wrong := b.besides(b.fill(form, "Add the person", "name", "Ana Sol", "role", "technician", "email", "ana@example.org", "properties", "heron-07\nno-such-house", "language", "en"), "person-properties", "no-such-house")
	b.expect(wrong, "ana@example.org", `<option value="technician" selected>`)

	added := b.goesTo(b.fill(form, "Add the person", "name", "Ana Sol", "role", "technician", "email", "ana@example.org", "properties", "heron-07, tern-12", "language", "en"))
	b.expect(added, "Ana Sol was added", "heron-07\ntern-12", "Has no password")
	b.expect(b.goesTo(b.fill(added, "Mail an invitation")), "on its way to ana@example.org", "three days")
	if len(mail.links) != 1 || mail.links[0].InvitedBy != "Dana Brook" || !strings.HasPrefix(mail.links[0].URL, "https://watch.example/sign-in/link/") {
		t.Errorf("mailed %+v", mail.links)
	}
	changed := b.goesTo(b.fill(added, ">Change<", "name", "Ana Sol", "role", "owner", "email", "ana@example.org", "properties", "tern-12", "language", "es"))
	b.expect(changed, `<option value="owner" selected>`, `<option value="es" selected>`, "tern-12</textarea>")
	locked := b.goesTo(b.fill(changed, "Lock out"))
	b.expect(locked, "cannot sign in any more", "Let in again")
	b.expect(b.goesTo(b.fill(locked, "Let in again")), "may sign in again")
	b.expect(b.goesTo(b.fill(b.page("/settings/people/2"), "Sign out<span")), "Signed out there")

	self := b.page("/settings/people/1")
	if strings.Contains(self, "Lock out") {
		t.Error("a manager is offered to lock themselves out")
	}
	key := regexp.MustCompile(`name="form" value="([^"]+)"`).FindStringSubmatch(self)[1]
	if res := b.send("POST", "/settings/people/1/lock", url.Values{"form": {key}}); res.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("locked themselves out: %d", res.StatusCode)
	}
}

func TestATokenIsShownOnce(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.expect(b.page("/settings/tokens"), "a dashboard", "Last used 60 minutes ago", "every house", "no end")
	form := b.page("/settings/tokens/new")
	b.besides(b.fill(form, "Create the token", "name", "a screen", "role", "owner", "days", "90"), "token-properties", "without a property")
	again := b.besides(b.fill(form, "Create the token", "name", "a screen", "role", "manager", "days", "90", "properties", "no-such", "actions", "read"), "token-properties", "no-such")
	b.expect(again, `value="read" checked`, "a screen")
	res := b.fill(form, "Create the token", "name", "a screen", "role", "manager", "days", "90", "actions", "read")
	made := text(res)
	if res.StatusCode != http.StatusCreated || res.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("%d %v", res.StatusCode, res.Header)
	}
	b.expect(made, "uk_secret", "shown only now")
	twice := b.fill(form, "Create the token", "name", "a screen", "role", "manager", "days", "90", "actions", "read")
	if body := text(twice); twice.StatusCode != http.StatusUnprocessableEntity || strings.Contains(body, "uk_secret") || !strings.Contains(body, "sent before") {
		t.Errorf("the same form again: %d", twice.StatusCode)
	}
	b.expect(b.goesTo(b.fill(b.page("/settings/tokens"), "Revoke a dashboard")), "it fails from now on")
}

func TestGatewaysAreAddedRotatedAndRevoked(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.order(b.page("/settings/gateways"), "heron-07/gw2", "never heard", "plover-21/gw1", "5 hours ago", "heron-07/gw1")
	house := b.page("/settings/properties/heron-07/gateways")
	b.besides(b.fill(house, "Add the gateway", "gateway", "gw1"), "gateway-gateway", "there already")
	added := text(b.fill(house, "Add the gateway", "gateway", "gw3"))
	b.expect(added, "heron-07/gw3~2", "shown only now")
	rotated := text(b.fill(house, "New password for gw1", "overlap_hours", "24"))
	b.expect(rotated, "The password before works until Jul 15, 12:00 UTC.")
	b.besides(b.fill(house, "New password for gw2", "overlap_hours", "soon"), "rotate-gw2-overlap_hours", "number of hours")
	b.expect(b.goesTo(b.fill(house, "Revoke gw1")), "its passwords fail from now on")
	b.expect(b.page("/settings/properties/heron-07"), "/settings/properties/heron-07/gateways")
}

func TestTermsGetVersionsAndAreAssigned(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.expect(b.page("/settings/terms"), "standard-60", "comes with the program")
	form := b.page("/settings/terms/new?of=standard-60")
	b.expect(form, "terms: a-name-of-yours", "version: 1")
	file := regexp.MustCompile(`(?s)<textarea[^>]*>(.*)</textarea>`).FindStringSubmatch(form)[1]
	b.besides(b.fill(form, "Add the version", "file", "terms: x"), "terms-file", "")
	taken := strings.Replace(file, "a-name-of-yours", "standard-60", 1)
	b.besides(b.fill(form, "Add the version", "file", taken), "terms-file", "belongs to a set that comes with the program")
	own := strings.Replace(file, "a-name-of-yours", "island-55", 1)
	b.expect(b.goesTo(b.fill(form, "Add the version", "file", strings.ReplaceAll(own, "\n", "\r\n"))), "The version was added", "island-55")
	b.expect(b.page("/settings/terms/new?of=island-55"), "version: 2\neffective: YYYY-MM-DD")

	house := b.page("/settings/properties/heron-07/terms")
	b.expect(house, `<a href="/settings">Settings</a></nav>`, "2026-03-02", "by the property file", "/properties/heron-07/conditions")
	b.besides(b.fill(house, ">Assign<", "terms", "island-55", "from", "2026-07-01"), "assign-from", "after today")
	b.besides(b.fill(house, ">Assign<", "terms", "island-55", "from", "soon"), "assign-from", " day is needed")
	b.expect(b.goesTo(b.fill(house, ">Assign<", "terms", "island-55", "from", "2026-08-01")), "Assigned.", "2026-08-01", "Dana Brook")
}

// TestOutagesAreReported takes times by the clock of the house, four hours
// behind UTC in July.
func TestOutagesAreReported(t *testing.T) {
	t.Parallel()
	for _, token := range []string{viewtest.ManagerToken, viewtest.TechnicianToken, viewtest.OwnerToken} {
		b := signedIn(t, token)
		page := b.page("/properties/heron-07/outages")
		b.besides(b.fill(page, "Report the outage", "from", "2026-07-13T14:00", "to", "2026-07-13T12:00"), "outage-to", "not after the beginning")
		b.besides(b.fill(page, "Report the outage", "from", "2026-07-13T14:00", "to", "2026-07-20T12:00"), "outage-to", "when it is over")
		b.besides(b.fill(page, "Report the outage", "from", "", "to", "2026-07-13T12:00"), "outage-from", "ay and time")
		b.besides(b.fill(page, "Report the outage", "from", "2026-03-08T02:30", "to", "2026-03-08T05:00"), "outage-from", "jumped over")
		b.expect(b.goesTo(b.fill(page, "Report the outage", "from", "2026-07-13T08:00", "to", "2026-07-13T14:00", "note", "a line was down")), "Reported.", "a line was down", "Jul 13, 2026, 08:00")
		o := b.fleet.OutagesOf["heron-07"]
		if got := o[len(o)-1]; !got.From.Equal(time.Date(2026, 7, 13, 12, 0, 0, 0, time.UTC)) || !got.To.Equal(time.Date(2026, 7, 13, 18, 0, 0, 0, time.UTC)) {
			t.Errorf("stored from %s to %s", got.From, got.To)
		}
		b.expect(b.page("/outages"), "a line was down", "7 Heron Lane")
	}
	desk := signedIn(t, viewtest.WarrantyToken)
	if page := desk.page("/properties/heron-07/outages"); strings.Contains(page, "Report the outage") {
		t.Error("the warranty desk is offered to report an outage")
	}
	other := signedIn(t, viewtest.OtherOwnerToken)
	if res := other.send("GET", "/properties/heron-07/outages", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("a stranger's outages: %d", res.StatusCode)
	}
}

func TestRoutingAuditAndAccount(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.besides(b.fill(b.page("/settings/routing"), "in force", "file", "rules: 7"), "routing-file", "")
	b.expect(b.goesTo(b.fill(b.page("/settings/routing"), "in force", "file", "company: Skerry Bank Dry Spaces\nrules:\n  - {to: [owner], at_least: high}")), "In force from now on", "by Dana Brook")
	b.expect(b.page("/settings/audit"), "/settings/routing", "person 1")
	account := b.page("/account")
	b.expect(account, "by password", "192.0.2.7")
	b.besides(b.fill(account, "Change the password", "old", "another one", "password", "a new long password"), "password-old", "")
	b.besides(b.fill(account, "Change the password", "old", viewtest.Password, "password", ""), "password-password", "needed")
	res := b.fill(account, "Change the password", "old", viewtest.Password, "password", "a new long password")
	if to := res.Header.Get("Location"); to != "/sign-in?to=%2Faccount" {
		t.Errorf("%d leads to %q", res.StatusCode, to)
	}
}

// TestSettingsAreForManagers asks for each page of the settings as everybody
// else, and sends its forms.
func TestSettingsAreForManagers(t *testing.T) {
	t.Parallel()
	for _, token := range []string{viewtest.TechnicianToken, viewtest.OwnerToken, viewtest.WarrantyToken} {
		b := signedIn(t, token)
		for _, path := range pagesOf[viewtest.ManagerToken] {
			if res := b.send("GET", path, nil); strings.HasPrefix(path, "/settings") && res.StatusCode != http.StatusForbidden {
				t.Errorf("%s: %s gets %d", path, token, res.StatusCode)
			}
		}
		key := regexp.MustCompile(`name="form" value="([^"]+)"`).FindStringSubmatch(b.page("/account"))[1]
		for _, path := range []string{"/settings/people", "/settings/people/2", "/settings/people/2/invite", "/settings/people/2/lock", "/settings/people/2/sessions/7/end", "/settings/tokens",
			"/settings/tokens/1/revoke", "/settings/properties/heron-07/gateways", "/settings/properties/heron-07/gateways/gw1/revoke", "/settings/terms", "/settings/properties/heron-07/terms", "/settings/routing"} {
			if res := b.send("POST", path, url.Values{"form": {key}}); res.StatusCode != http.StatusForbidden {
				t.Errorf("POST %s: %s gets %d", path, token, res.StatusCode)
			}
		}
	}
	manager := signedIn(t, viewtest.ManagerToken)
	for _, path := range []string{"/settings/people", "/settings/tokens", "/settings/properties/heron-07/gateways", "/settings/terms", "/settings/properties/heron-07/terms", "/properties/heron-07/outages", "/settings/routing", "/account/password"} {
		if res := manager.send("POST", path, url.Values{"name": {"forged"}}); res.StatusCode != http.StatusForbidden {
			t.Errorf("POST %s without a key: %d", path, res.StatusCode)
		}
	}
	b := open(t)
	b.signIn(viewtest.ScopedToken)
	if res := b.send("GET", "/settings", nil); res.StatusCode != http.StatusForbidden {
		t.Errorf("a narrowed token sees the settings: %d", res.StatusCode)
	}
}

// TestTheDeskDownloadsABundle holds that property, verdict, bundle and terms
// lead to each other.
func TestTheDeskDownloadsABundle(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.WarrantyToken)
	b.expect(b.page("/properties/heron-07"), `href="/properties/heron-07/conditions"`)
	verdict := b.page("/properties/heron-07/conditions?from=2026-03-02&to=2026-07-01")
	b.expect(verdict, `href="/properties/heron-07"`, `href="/v1/evidence/key"`, `href="/properties/heron-07/outages"`)
	link := regexp.MustCompile(`href="(/properties/heron-07/evidence[^"]*)"`).FindStringSubmatch(verdict)
	if link == nil {
		t.Fatal("no bundle to download")
	}
	res := b.send("GET", strings.ReplaceAll(link[1], "&amp;", "&"), nil)
	if res.StatusCode != http.StatusOK || res.Header.Get("Content-Type") != "application/zip" || !strings.Contains(res.Header.Get("Content-Disposition"), "heron-07_2026-03-02_2026-07-01_evidence.zip") {
		t.Errorf("%d %v", res.StatusCode, res.Header)
	}
	if n := len(b.fleet.Log); n == 0 || b.fleet.Log[n-1].Action != "evidence-read" {
		t.Errorf("the audit log does not tell: %+v", b.fleet.Log)
	}
	owner := signedIn(t, viewtest.OwnerToken)
	if res := owner.send("GET", "/properties/gull-03/evidence", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("another's bundle: %d", res.StatusCode)
	}
}
