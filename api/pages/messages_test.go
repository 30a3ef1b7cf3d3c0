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
	if d := delivery(t, b, "1"); !d.SeenAt.IsZero() || len(b.fleet.Stopped) > 0 {
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
	if len(b.fleet.Stopped) > 0 {
		t.Fatal("following the link ended messages")
	}
	if res := b.send("POST", path, url.Values{"List-Unsubscribe": {"One-Click"}}); res.StatusCode != http.StatusOK {
		t.Fatalf("%d", res.StatusCode)
	}
	if len(b.fleet.Stopped) != 1 || b.fleet.Stopped[0] != "owner@example.org" {
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
