package pages_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"underkeep/alerting/notify"
	"underkeep/api"
	"underkeep/api/view"
	"underkeep/api/viewtest"
)

func withLinks(t *testing.T) (*browser, *notify.Links) {
	t.Helper()
	links := notify.NewLinks([]byte("secret"), "http://127.0.0.1:8080")
	fleet := viewtest.New()
	h := api.New(api.Options{Source: fleet, Now: func() time.Time { return viewtest.Now }, Links: links})
	return &browser{t: t, fleet: fleet, h: h}, links
}

func delivery(t *testing.T, b *browser, id string) view.Delivery {
	t.Helper()
	d, err := b.fleet.Delivery(t.Context(), everything, id)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A link in a message acts on its button alone, once, and for whoever has it.
func TestLinkActsOnItsButton(t *testing.T) {
	t.Parallel()
	b, links := withLinks(t)
	path := strings.TrimPrefix(links.Seen(1, 1, viewtest.Now), "http://127.0.0.1:8080")
	for range 3 { // programs that look at mail
		if res := b.send("GET", path, nil); res.StatusCode != http.StatusOK {
			t.Fatalf("GET %d", res.StatusCode)
		}
	}
	if d := delivery(t, b, "1"); !d.SeenAt.IsZero() {
		t.Fatal("following the link acknowledged")
	}
	if got := text(b.send("POST", path, url.Values{})); !strings.Contains(got, "noted that you have seen this") {
		t.Errorf("the button: %s", got)
	}
	if d := delivery(t, b, "1"); d.SeenAt.IsZero() {
		t.Error("the button did not acknowledge")
	}
	if got := text(b.send("POST", path, url.Values{})); !strings.Contains(got, "used before") {
		t.Errorf("the button a second time: %s", got)
	}
}

func TestForeignAndOldLinksDoNothing(t *testing.T) {
	t.Parallel()
	b, links := withLinks(t)
	other := notify.NewLinks([]byte("another secret"), "")
	for name, path := range map[string]string{
		"another key":  "/seen/" + other.Token(notify.LinkSeen, 1, 1, viewtest.Now.Add(time.Hour)),
		"too old":      "/seen/" + links.Token(notify.LinkSeen, 1, 1, viewtest.Now.Add(-time.Second)),
		"another kind": "/seen/" + links.Token(notify.LinkStop, 1, 1, viewtest.Now.Add(time.Hour)),
		"cut short":    "/seen/" + links.Token(notify.LinkSeen, 1, 1, viewtest.Now.Add(time.Hour))[:20],
		"nothing":      "/stop/x",
	} {
		for _, method := range []string{"GET", "POST"} {
			if res := b.send(method, path, url.Values{}); res.StatusCode != http.StatusNotFound {
				t.Errorf("%s, %s: %d", name, method, res.StatusCode)
			}
		}
	}
	if d := delivery(t, b, "1"); !d.SeenAt.IsZero() || len(b.fleet.Stopped) > 1 {
		t.Error("a link that is not valid acted")
	}
}

// RFC 8058, section 3.1: the mail program posts List-Unsubscribe=One-Click, with
// no cookie and no page before it.
func TestUnsubscribeByOneClick(t *testing.T) {
	t.Parallel()
	b, links := withLinks(t)
	path := strings.TrimPrefix(links.Stop(1, 1, viewtest.Now), "http://127.0.0.1:8080")
	b.send("GET", path, nil)
	if len(b.fleet.Stopped) > 1 {
		t.Fatal("following the link ended messages")
	}
	if res := b.send("POST", path, url.Values{"List-Unsubscribe": {"One-Click"}}); res.StatusCode != http.StatusOK {
		t.Fatalf("%d", res.StatusCode)
	}
	if len(b.fleet.Stopped) != 2 || b.fleet.Stopped[1] != "owner@example.org" {
		t.Errorf("stopped: %v", b.fleet.Stopped)
	}
}

func TestMessagesPages(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.signIn(viewtest.ManagerToken)
	if got := text(b.send("GET", "/deliveries", nil)); !strings.Contains(got, "given up") || !strings.Contains(got, "550 no such mailbox") {
		t.Errorf("a dead delivery is not seen: %s", got)
	}
	if got := text(b.send("GET", "/deliveries/2", nil)); !strings.Contains(got, "refused") {
		t.Errorf("the attempt is not seen: %s", got)
	}
	if got := text(b.send("GET", "/preview?condition=leak&lang=es&units=si&for=owner", nil)); !strings.Contains(got, "Sensor de fugas mojado") {
		t.Errorf("preview: %s", got)
	}
	if res := b.send("GET", "/preview?condition=no-such", nil); res.StatusCode != http.StatusBadRequest {
		t.Errorf("preview of no condition: %d", res.StatusCode)
	}
	b.signIn(viewtest.OwnerToken)
	if res := b.send("GET", "/deliveries", nil); res.StatusCode != http.StatusForbidden {
		t.Errorf("an owner reads who was written to: %d", res.StatusCode)
	}
}

// A Spanish reader gets Spanish pages; whoever ended messages can have them again
// by the same link.
func TestLinkPagesInTheReadersLanguage(t *testing.T) {
	t.Parallel()
	b, links := withLinks(t)
	b.fleet.LinkedLanguage = "es-MX"
	path := func(l string) string { return strings.TrimPrefix(l, "http://127.0.0.1:8080") }
	seen, stop := path(links.Seen(1, 1, viewtest.Now)), path(links.Stop(1, 1, viewtest.Now))
	for _, c := range []struct {
		method, path string
		form         url.Values
		want         []string
	}{
		{"GET", seen, nil, []string{`<html lang="es">`, "Lo he visto", "Precaución.", "no es un sistema para proteger la vida"}},
		{"POST", seen, url.Values{}, []string{"Queda anotado"}},
		{"POST", seen, url.Values{}, []string{"ya se us"}},
		{"GET", stop, nil, []string{"No enviar más mensajes a owner@example.org"}},
		{"POST", stop, url.Values{}, []string{"Ya no se envían mensajes a owner@example.org", "Envíenme mensajes de nuevo"}},
		{"GET", stop, nil, []string{"Los mensajes están parados", `name="again"`}},
		{"POST", stop, url.Values{"again": {"1"}}, []string{"Se envían de nuevo mensajes a owner@example.org"}},
		{"GET", stop, nil, []string{"No enviar más mensajes"}},
	} {
		got := text(b.send(c.method, c.path, c.form))
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s %s: no %q in %s", c.method, c.path[:6], want, got)
			}
		}
	}
	if len(b.fleet.Stopped) != 1 {
		t.Errorf("stopped: %v", b.fleet.Stopped)
	}
}

// A manager sends a person a test message and takes back that an address wants
// none, both by forms of the session only.
func TestTestMessageAndResume(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.signIn(viewtest.ManagerToken)
	page := text(b.send("GET", "/deliveries", nil))
	if !strings.Contains(page, "stopped@example.org") {
		t.Fatalf("the address is not shown: %s", page)
	}
	key := formKey.FindStringSubmatch(page)
	if key == nil {
		t.Fatal("no form")
	}
	if res := b.send("POST", "/deliveries/resume", url.Values{"address": {"stopped@example.org"}}); res.StatusCode != http.StatusForbidden || len(b.fleet.Stopped) != 1 {
		t.Errorf("a form from elsewhere: %d", res.StatusCode)
	}
	b.send("POST", "/deliveries/resume", url.Values{"form": {key[1]}, "address": {"stopped@example.org"}})
	if len(b.fleet.Stopped) != 0 {
		t.Errorf("stopped: %v", b.fleet.Stopped)
	}
	res := b.send("POST", "/deliveries/test", url.Values{"form": {key[1]}, "person": {"2"}, "channel": {"mail"}})
	if res.StatusCode != http.StatusSeeOther || b.fleet.Told[0].Purpose != "test" {
		t.Errorf("test message: %d, %+v", res.StatusCode, b.fleet.Told[0])
	}
	b.signIn(viewtest.OwnerToken)
	if res := b.send("POST", "/deliveries/test", url.Values{"person": {"2"}, "channel": {"mail"}}); res.StatusCode != http.StatusForbidden {
		t.Errorf("an owner: %d", res.StatusCode)
	}
}
