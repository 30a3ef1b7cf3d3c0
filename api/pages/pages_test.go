package pages_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"underkeep/api"
	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

// browser is the service over the fixed fleet with one person before it.
type browser struct {
	t      *testing.T
	fleet  *viewtest.Fleet
	h      http.Handler
	cookie string
}

var everything = view.Scope{All: true}

func open(t *testing.T) *browser {
	t.Helper()
	fleet := viewtest.New()
	h := api.New(api.Options{Source: fleet, Now: func() time.Time { return viewtest.Now }, Contact: "Dune Road Office, +1 555 0199"})
	return &browser{t: t, fleet: fleet, h: h}
}

func (b *browser) send(method, path string, form url.Values, header ...string) *http.Response {
	b.t.Helper()
	r := httptest.NewRequest(method, "http://127.0.0.1:8080"+path, strings.NewReader(form.Encode()))
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	if b.cookie != "" {
		r.Header.Set("Cookie", b.cookie)
	}
	w := httptest.NewRecorder()
	b.h.ServeHTTP(w, r)
	return w.Result()
}

func (b *browser) signIn(token string) *http.Response {
	b.t.Helper()
	res := b.send("POST", "/sign-in", url.Values{"token": {token}})
	for _, c := range res.Cookies() {
		b.cookie = c.Name + "=" + c.Value
	}
	return res
}

func signedIn(t *testing.T, token string) *browser {
	t.Helper()
	b := open(t)
	if res := b.signIn(token); res.StatusCode != http.StatusSeeOther {
		t.Fatalf("sign in: %d", res.StatusCode)
	}
	return b
}

func text(res *http.Response) string {
	body, _ := io.ReadAll(res.Body)
	return string(body)
}

// page expects a page.
func (b *browser) page(path string) string {
	b.t.Helper()
	res := b.send("GET", path, nil)
	body := text(res)
	if res.StatusCode != http.StatusOK {
		b.t.Fatalf("GET %s: %d %s", path, res.StatusCode, body)
	}
	return body
}

func (b *browser) expect(body string, wanted ...string) {
	b.t.Helper()
	for _, w := range wanted {
		if !strings.Contains(body, w) {
			b.t.Errorf("no %q on the page", w)
		}
	}
}

// order expects the texts one after the other.
func (b *browser) order(body string, texts ...string) {
	b.t.Helper()
	at := 0
	for _, w := range texts {
		i := strings.Index(body[at:], w)
		if i < 0 {
			b.t.Fatalf("%q is not behind what should come before it", w)
		}
		at += i
	}
}

func TestTodayBeginsWithWhatNeedsAPersonSoonest(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/today")
	b.order(body, "12 Tern Street", "7 Heron Lane", "21 Plover Walk", "11 Osprey Path", "15 Curlew Court")
	b.expect(body, "The dehumidifier has stopped", "for 40 minutes", "condensate hose", "all right", "North Spit")
	found := b.page("/today?q=heron")
	b.expect(found, "7 Heron Lane")
	if strings.Contains(found, "12 Tern Street") {
		t.Error("the search shows what was not searched for")
	}
	b.expect(body, "coming: 1.77 in of rain from 16:00 on; leaves") // 6 h of 7.5 mm, from 20:00 UTC on
	if n := strings.Count(b.page("/today?group=area"), "No power at 3 houses"); n != 1 {
		t.Errorf("an event stands %d times on the page", n)
	}
	b.order(b.page("/today?group=area"), "Several houses with one cause", "North Spit <small>", "12 Tern Street", "7 Heron Lane", "Sound Side <small>", "21 Plover Walk", "Ferry Side <small>")
	if area := b.page("/today?area=Ferry+Side"); strings.Contains(area, "7 Heron Lane") || !strings.Contains(area, "2 Egret Way") {
		t.Error("the area does not choose")
	}
}

func TestTodayHasPages(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	for i := range 70 {
		p := b.fleet.Props[0]
		p.ID, p.Name = "extra-"+string(rune('a'+i/10))+string(rune('0'+i%10)), "Extra"
		b.fleet.Props = append(b.fleet.Props, p)
	}
	seen := make(map[string]int)
	links := regexp.MustCompile(`/properties/([a-z0-9-]+)"`)
	next := regexp.MustCompile(`<a href="(/today\?after=[^"]+)">Next houses`)
	for path := "/today"; path != ""; {
		body := b.page(path)
		for _, m := range links.FindAllStringSubmatch(body, -1) {
			seen[m[1]]++
		}
		path = ""
		if m := next.FindStringSubmatch(body); m != nil {
			path = strings.ReplaceAll(m[1], "&amp;", "&")
		}
	}
	if len(seen) != 78 {
		t.Errorf("%d houses on the pages, want 78", len(seen))
	}
	for id, n := range seen {
		if n != 1 {
			t.Errorf("%s %d times", id, n)
		}
	}
}

func TestPropertySaysWhatWhySinceAndHowItWent(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/properties/heron-07")
	b.expect(body,
		"Air too humid", "The dehumidifier has stopped.", "power 0 W since Jul 13, 17:40", "Same cause as 1",
		"explained by “Air too humid”", "licensed electrician", "72 %RH", "72.9 °F", "America/New_York",
		"dew point", "Pump cycles per hour", "Moisture of the wood", "As built", "Rated capacity of the dehumidifier")
	for _, span := range []string{"24h", "week", "month", "year", "all", "nonsense"} {
		want := 6
		if span == "month" || span == "year" || span == "all" {
			want = 7 // with the mold index
		}
		body := b.page("/properties/heron-07?span=" + span)
		if n := strings.Count(body, `<svg class="chart"`); n != want {
			t.Errorf("%s: %d charts, want %d", span, n, want)
		}
		hatched := strings.Count(body, "No readings from")
		if wantGap := span != "24h" && span != "nonsense"; wantGap && hatched == 0 {
			t.Errorf("%s: the hole of five days ago is not shown", span)
		}
	}
}

// TestUnits compares with figures converted by hand: 22.72 °C is 72.9 °F.
func TestUnits(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.fleet.Props[3].Units = site.SI
	body := b.page("/properties/heron-07")
	b.expect(body, "22.7 °C", "0.0 mm")
	if strings.Contains(body, "°F<") {
		t.Error("US units on an SI page")
	}
}

func TestOwnerReadsOneSentence(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.OwnerToken)
	res := b.send("GET", "/home", nil)
	if to := res.Header.Get("Location"); to != "/home/heron-07" {
		t.Fatalf("an owner of one house is led to %q", to)
	}
	body := b.page("/home/heron-07")
	b.expect(body, "The air under your house has been too humid for hours.", "needs a visit", "What to do:", "Caution.", "Dune Road Office",
		"The last 30 days", "hours we have no figures", "storms brought", "the pump ran", "It was over after 4 hours. Seen by Lee Marsh.", "Who was there", "Filter changed",
		`href="/properties/heron-07/conditions"`)
	for _, jargon := range []string{"humidity-high", "unacknowledged", "dew point", "%RH"} {
		if strings.Contains(body, jargon) {
			t.Errorf("an owner reads %q", jargon)
		}
	}
	other := signedIn(t, viewtest.OtherOwnerToken)
	other.expect(other.page("/home/gull-03"), "Your house is all right.", "nothing you need to do")
}

func TestSilenceIsNotAllRight(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.OtherOwnerToken)
	b.fleet.Props[2].LastReceived = time.Time{}
	body := b.page("/home/gull-03")
	b.expect(body, "We have not heard from your house yet.", "no news yet")
	if strings.Contains(body, "all right") {
		t.Error("a house without news is called all right")
	}
}

var formPattern = regexp.MustCompile(`action="(/alarms/106/acknowledge)"><input type="hidden" name="form" value="([^"]+)"`)

func TestAcknowledgeWithoutScript(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	m := formPattern.FindStringSubmatch(b.page("/properties/heron-07"))
	if m == nil {
		t.Fatal("no form to acknowledge")
	}
	res := b.send("POST", m[1], url.Values{"form": {m[2]}, "to": {"/properties/heron-07"}})
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/properties/heron-07" {
		t.Fatalf("%d %s", res.StatusCode, res.Header.Get("Location"))
	}
	body := b.page("/properties/heron-07")
	b.expect(body, "seen by Dana Brook")
	if formPattern.MatchString(body) {
		t.Error("it can be acknowledged again")
	}
}

func TestAcknowledgeAllOfAHouse(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/properties/heron-07")
	b.expect(body, "Acknowledge all 2")
	key := formPattern.FindStringSubmatch(body)[2]
	b.send("POST", "/properties/heron-07/acknowledge", url.Values{"form": {key}})
	if left := regexp.MustCompile(`action="/(alarms|properties)/`).FindString(b.page("/properties/heron-07")); left != "" {
		t.Errorf("something is left to answer: %s", left)
	}
	other := b.page("/properties/egret-02")
	b.expect(other, "Over, and nobody has answered", "Nothing at present.", "No power")
}

func TestForgedFormsAreRefused(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	m := formPattern.FindStringSubmatch(b.page("/properties/heron-07"))
	other := signedIn(t, viewtest.OwnerToken)
	theirs := formPattern.FindStringSubmatch(other.page("/home/heron-07"))
	for name, res := range map[string]*http.Response{
		"without a key":         b.send("POST", m[1], url.Values{}),
		"with somebody's key":   b.send("POST", m[1], url.Values{"form": {theirs[2]}}),
		"with a cut key":        b.send("POST", m[1], url.Values{"form": {m[2][:20]}}),
		"from another site":     b.send("POST", m[1], url.Values{"form": {m[2]}}, "Sec-Fetch-Site", "cross-site"),
		"from another origin":   b.send("POST", m[1], url.Values{"form": {m[2]}}, "Origin", "https://elsewhere.example"),
		"sign in from a site":   b.send("POST", "/sign-in", url.Values{"token": {viewtest.OwnerToken}}, "Sec-Fetch-Site", "cross-site"),
		"signing out by others": b.send("POST", "/sign-out", url.Values{}),
	} {
		if res.StatusCode != http.StatusForbidden {
			t.Errorf("%s: %d", name, res.StatusCode)
		}
	}
	if a := b.page("/properties/heron-07"); strings.Contains(a, "seen by") {
		t.Error("a forged form was used")
	}
}

func TestWhoSeesWhichPage(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		token, path string
		status      int
	}{
		{viewtest.OwnerToken, "/properties/heron-07", 200}, {viewtest.OwnerToken, "/properties/gull-03", 404},
		{viewtest.OwnerToken, "/home/gull-03", 404}, {viewtest.OwnerToken, "/today", 303},
		{viewtest.TechnicianToken, "/properties/tern-12", 200}, {viewtest.TechnicianToken, "/properties/gull-03", 404},
		{viewtest.WarrantyToken, "/properties/gull-03", 200}, {viewtest.ManagerToken, "/properties/no-such", 404},
		{viewtest.ManagerToken, "/today?after=%21", 400},
	} {
		if res := signedIn(t, c.token).send("GET", c.path, nil); res.StatusCode != c.status {
			t.Errorf("%s %s: %d, want %d", c.token, c.path, res.StatusCode, c.status)
		}
	}
	b := signedIn(t, viewtest.WarrantyToken)
	body := b.page("/properties/heron-07")
	if strings.Contains(body, "acknowledge\"") || strings.Contains(body, "555 0100") {
		t.Error("the warranty desk can answer alarms or sees how to reach the owner")
	}
}

func TestSignInAndOut(t *testing.T) {
	t.Parallel()
	b := open(t)
	for path, want := range map[string]string{"/": "/sign-in", "/today?q=a": "/sign-in?to=%2Ftoday%3Fq%3Da"} {
		if res := b.send("GET", path, nil); res.Header.Get("Location") != want {
			t.Errorf("%s leads to %s, want %s", path, res.Header.Get("Location"), want)
		}
	}
	wrong := b.signIn("nobody")
	if wrong.StatusCode != http.StatusUnauthorized || b.cookie != "" {
		t.Errorf("a wrong token: %d", wrong.StatusCode)
	}
	b.expect(text(wrong), "Not accepted.")
	res := b.send("POST", "/sign-in", url.Values{"token": {" " + viewtest.ManagerToken + "\n"}, "to": {"https://elsewhere.example"}})
	c := res.Cookies()[0]
	if res.Header.Get("Location") != "/" || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || strings.Contains(c.Value, viewtest.ManagerToken) {
		t.Errorf("%s %+v", res.Header.Get("Location"), c)
	}
	b.cookie = c.Name + "=" + c.Value
	b.page("/today")
	// Revoking the token ends the session at once.
	delete(b.fleet.People, viewtest.ManagerToken)
	if res := b.send("GET", "/today", nil); res.StatusCode != http.StatusSeeOther {
		t.Errorf("a revoked token still sees: %d", res.StatusCode)
	}
}

func TestRedirectsStayHere(t *testing.T) {
	t.Parallel()
	for _, to := range []string{"//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "/sign-out", "javascript:alert(1)", ""} {
		res := open(t).send("POST", "/sign-in", url.Values{"token": {viewtest.ManagerToken}, "to": {to}})
		if res.Header.Get("Location") != "/" {
			t.Errorf("%q leads to %q", to, res.Header.Get("Location"))
		}
	}
}

func TestPolicyHasNoExceptions(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	inline := regexp.MustCompile(`(?i)\sstyle=|\son[a-z]+=|<style|<script(?:\s*>|\s[^>]*[^c]="?>)|javascript:`)
	for _, path := range []string{"/today", "/properties/heron-07?span=month", "/home/heron-07", "/nowhere-at-all",
		"/settings", "/settings/properties", "/settings/properties/heron-07", "/settings/properties/heron-07/limits", "/settings/quarantine/2"} {
		res := b.send("GET", path, nil)
		policy := res.Header.Get("Content-Security-Policy")
		if strings.Contains(policy, "unsafe") || strings.Contains(policy, "*") || !strings.Contains(policy, "default-src 'none'") {
			t.Errorf("%s: %s", path, policy)
		}
		if m := inline.FindString(text(res)); m != "" {
			t.Errorf("%s: %q would need an exception", path, m)
		}
	}
}

// TestWeight holds each page to 150 KB as it leaves without compression, its
// style and script included.
func TestWeight(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	static := 0
	for _, m := range regexp.MustCompile(`/static/[^"]+`).FindAllString(b.page("/today"), -1) {
		static += len(b.page(m))
	}
	for _, path := range []string{"/today", "/properties/heron-07", "/properties/heron-07?span=week", "/properties/heron-07?span=month", "/properties/heron-07?span=year", "/properties/heron-07?span=all", "/home/heron-07",
		"/settings/properties", "/settings/properties/heron-07", "/settings/properties/heron-07/limits", "/settings/quarantine"} {
		plain := len(b.page(path)) + static
		zipped, err := gzip.NewReader(b.send("GET", path, nil, "Accept-Encoding", "gzip").Body)
		if err != nil {
			t.Fatal(err)
		}
		var unzipped bytes.Buffer
		if _, err := io.Copy(&unzipped, zipped); err != nil || unzipped.Len() < plain-static-200 {
			t.Errorf("%s: %v, %d bytes unzipped", path, err, unzipped.Len())
		}
		t.Logf("%s: %d KB", path, plain/1000)
		if plain > 150_000 {
			t.Errorf("%s weighs %d bytes", path, plain)
		}
	}
}

func TestOutageIsAPageAndTellsNothing(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.fleet.Down = viewtest.ErrDown
	res := b.send("GET", "/today", nil)
	body := text(res)
	if res.StatusCode != http.StatusServiceUnavailable || strings.Contains(body, "db.internal") {
		t.Errorf("%d %s", res.StatusCode, body)
	}
	b.expect(body, "Try again in a minute")
}

func TestNamesAreEscaped(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	b.fleet.Props[3].Name = `<img src=x onerror=alert(1)>`
	for _, path := range []string{"/today", "/properties/heron-07", "/home/heron-07", "/today?q=%3Cb%3E%22"} {
		if body := b.page(path); strings.Contains(body, "<img") || strings.Contains(body, "<b>\"") {
			t.Errorf("%s does not escape", path)
		}
	}
}
