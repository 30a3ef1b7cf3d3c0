package notify

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"image/png"
	"io"
	"maps"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net/mail"
	"net/textproto"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/google/go-cmp/cmp"

	"underkeep/store"
	"underkeep/store/site"
)

// One call-out from its first alarm to its end: owner and manager are told at
// once, each once, and again when it is over, in the same thread.
func TestTellOnceAndCloseTheThread(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07")
	r.manager("Mara", "")
	r.wet("heron-07", "floor", site.Leak)
	r.deliver()
	r.clock.advance(crowdAfter)
	r.deliver()
	r.deliver() // again: nothing
	if got := len(r.mails.all()); got != 2 {
		t.Fatalf("%d mails, want 2\n%s", got, r.summary())
	}
	r.dry("heron-07", "floor", site.Leak)
	r.settle(time.Minute)
	want := `alarm 3 0 mail mara@skerry.example sent
alarm 3 0 mail owner-heron-07@example.org sent
return 0 0 mail mara@skerry.example sent
return 0 0 mail owner-heron-07@example.org sent
`
	if diff := cmp.Diff(want, r.summary()); diff != "" {
		t.Error(diff)
	}
}

// The mail as it arrives: threaded by ids from the outbox, with text, HTML and
// chart, unsubscribing by one click, from automation.
func TestMailAsItArrives(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07")
	r.wet("heron-07", "floor", site.Leak)
	r.deliver()
	r.dry("heron-07", "floor", site.Leak)
	r.settle(time.Minute)
	all := r.mails.all()
	if len(all) != 2 {
		t.Fatalf("%d mails, want 2\n%s", len(all), r.summary())
	}
	first, second := all[0].Head, all[1].Head
	id := first.Get("Message-Id")
	if !strings.HasSuffix(id, "@skerry.example>") || second.Get("In-Reply-To") != id || second.Get("References") != id || second.Get("Message-Id") == id {
		t.Errorf("first %s, second %s in reply to %s, references %s", id, second.Get("Message-Id"), second.Get("In-Reply-To"), second.Get("References"))
	}
	if first.Get("In-Reply-To") != "" || first.Get("Auto-Submitted") != "auto-generated" {
		t.Errorf("first mail: %v", first)
	}
	// RFC 8058, section 3.1 and 3.2.
	if !strings.HasPrefix(first.Get("List-Unsubscribe"), "<https://watch.example/stop/") || first.Get("List-Unsubscribe-Post") != "List-Unsubscribe=One-Click" {
		t.Errorf("List-Unsubscribe %q, %q", first.Get("List-Unsubscribe"), first.Get("List-Unsubscribe-Post"))
	}
	parts := partsOf(t, all[0].Raw)
	for _, want := range []string{"text/plain", "text/html"} {
		if parts[want] == "" {
			t.Errorf("no %s among %v", want, slices.Sorted(maps.Keys(parts)))
		}
	}
	if img := parts["image/png"]; img == "" {
		t.Error("no chart")
	} else if cfg, err := png.DecodeConfig(strings.NewReader(img)); err != nil || cfg.Width < 600 {
		t.Errorf("chart: %v, %+v", err, cfg)
	}
	if !strings.Contains(parts["text/html"], "cid:chart.png") {
		t.Error("the HTML does not show the chart")
	}
	if !strings.Contains(parts["text/plain"], "close the main water valve") {
		t.Errorf("text: %s", parts["text/plain"])
	}
}

// partsOf takes a mail apart with Go's own reader of MIME, by type.
func partsOf(t *testing.T, raw []byte) map[string]string {
	t.Helper()
	msg, err := mail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	var walk func(header textproto.MIMEHeader, body io.Reader)
	walk = func(header textproto.MIMEHeader, body io.Reader) {
		kind, params, err := mime.ParseMediaType(header.Get("Content-Type"))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(kind, "multipart/") {
			switch header.Get("Content-Transfer-Encoding") {
			case "quoted-printable":
				body = quotedprintable.NewReader(body)
			case "base64":
				body = base64.NewDecoder(base64.StdEncoding, body)
			}
			b, err := io.ReadAll(body)
			if err != nil {
				t.Fatal(err)
			}
			out[kind] = string(b)
			return
		}
		for mr := multipart.NewReader(body, params["boundary"]); ; {
			p, err := mr.NextRawPart()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			walk(p.Header, p)
		}
	}
	walk(textproto.MIMEHeader(msg.Header), msg.Body)
	return out
}

// A mail server that greylists, refuses, is slow, or drops the connection.
func TestSpoiltMailServers(t *testing.T) {
	t.Parallel()
	greylist := func(_, _ string, nth int) error {
		if nth == 1 {
			return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "try again in five minutes"}
		}
		return nil
	}
	for name, c := range map[string]struct {
		spoil   func(m *mailServer)
		after   time.Duration
		state   store.NoticeState
		mails   int
		atLeast int // attempts
	}{
		"greylisting": {func(m *mailServer) { m.answer = greylist }, 2 * time.Minute, store.NoticeSent, 1, 2},
		"mailbox full for an hour": {func(m *mailServer) {
			m.answer = func(_, _ string, nth int) error {
				if nth < 7 {
					return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
				}
				return nil
			}
		}, 2 * time.Hour, store.NoticeSent, 1, 7},
		"no such mailbox": {func(m *mailServer) {
			m.answer = func(string, string, int) error {
				return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such mailbox"}
			}
		}, 10 * time.Minute, store.NoticeDead, 0, 1},
		"slow":                 {func(m *mailServer) { m.dataWait = 300 * time.Millisecond }, time.Minute, store.NoticeSent, 1, 1},
		"drops before its 250": {func(m *mailServer) { m.drop = true }, time.Minute, store.NoticeWaiting, 0, 2},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			c.spoil(r.mails)
			r.register("heron-07")
			r.wet("heron-07", "floor", site.Leak)
			r.deliver()
			r.settle(c.after)
			n := r.notices()[0]
			if n.State != c.state || len(r.mails.all()) != c.mails || n.Attempts < c.atLeast {
				t.Errorf("%s after %d attempts, %d mails: %s; want %s, %d mails", n.State, n.Attempts, len(r.mails.all()), n.Outcome, c.state, c.mails)
			}
			_, attempts, err := r.store.Notice(t.Context(), store.AllProperties, n.ID)
			if err != nil || len(attempts) != n.Attempts {
				t.Errorf("%d attempts kept of %d, %v", len(attempts), n.Attempts, err)
			}
		})
	}
}

// A mail server down for a day: nothing is lost, nothing comes twice, and the
// failure is an alarm of its own over another channel.
func TestMailServerDownForADay(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07", "heron-08", "heron-09")
	r.manager("Mara", "+15550100200")
	texts := newTextGateway(t, r)
	r.mails.spoil(func(string, string, int) error { return &smtp.SMTPError{Code: 421, Message: "down for maintenance"} })
	for _, id := range []string{"heron-07", "heron-08", "heron-09"} {
		r.wet(id, "floor", site.Leak)
	}
	r.deliver()
	for range 24 {
		r.clock.advance(time.Hour)
		r.deliver()
		if err := r.deliverer.Sweep(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if got := len(r.mails.all()); got != 0 {
		t.Fatalf("%d mails through a server that is down", got)
	}
	r.deliver()
	if got := texts.all(); len(got) == 0 || !strings.Contains(got[0], "E-mail does not work") {
		t.Errorf("nobody was told over another channel: %q", got)
	}
	r.mails.spoil(nil)
	for range 3 {
		r.clock.advance(time.Hour)
		r.deliver()
	}
	to := map[string]int{}
	for _, m := range r.mails.all() {
		to[m.To]++
	}
	want := map[string]int{"owner-heron-07@example.org": 1, "owner-heron-08@example.org": 1, "owner-heron-09@example.org": 1, "mara@skerry.example": 3}
	if diff := cmp.Diff(want, to); diff != "" {
		t.Errorf("%s\n%s", diff, r.summary())
	}
}

// What was never told and is over need not be told, unless it was grave; then
// the message says that it is over, and there is no second one about its end.
func TestOverBeforeItWasTold(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07")
	r.mails.spoil(func(string, string, int) error { return &smtp.SMTPError{Code: 451, Message: "later"} })
	r.wet("heron-07", "floor", site.Leak)
	r.deliver()
	r.dry("heron-07", "floor", site.Leak)
	r.mails.spoil(nil)
	r.settle(2 * time.Hour)
	all := r.mails.all()
	if len(all) != 1 {
		t.Fatalf("%d mails, want one that says it is over\n%s", len(all), r.summary())
	}
	if text := strings.Join(strings.Fields(partsOf(t, all[0].Raw)["text/plain"]), " "); !strings.Contains(text, "and is over") {
		t.Errorf("it does not say that it is over: %s", text)
	}
}

// An urgent alarm that nobody acknowledges goes to the next people, as worked out
// by hand from the default routing: managers by mail and text at once; after 15
// minutes managers and technicians; after two hours the managers again.
func TestEscalation(t *testing.T) {
	t.Parallel()
	for name, acknowledge := range map[string]bool{"nobody answers": false, "somebody answers after 20 minutes": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			r.register("heron-07")
			r.manager("Mara", "+15550100200")
			texts := newTextGateway(t, r)
			if _, err := r.store.AddPerson(t.Context(), store.NewPerson{Name: "Tom", Email: "tom@skerry.example", Role: store.RoleTechnician,
				Properties: []string{"heron-07"}, By: "test"}); err != nil {
				t.Fatal(err)
			}
			r.wet("heron-07", "sump", site.HighWater)
			r.deliver()
			if got := len(r.mails.all()); got != 2 { // owner, manager
				t.Errorf("%d mails at first\n%s", got, r.summary())
			}
			r.settle(16 * time.Minute)
			if got := len(r.mails.all()); got != 4 { // and manager, technician
				t.Errorf("%d mails after a quarter of an hour\n%s", got, r.summary())
			}
			if acknowledge {
				r.settle(4 * time.Minute)
				if err := r.store.Acknowledge(t.Context(), store.Answer{Scope: store.AllProperties, Alarm: "heron-07.1", By: "Tom", Now: r.clock.now()}); err != nil {
					t.Fatal(err)
				}
			}
			r.settle(2 * time.Hour)
			want := 5
			if acknowledge {
				want = 4
			}
			if got := len(r.mails.all()); got != want {
				t.Errorf("%d mails after two hours, want %d\n%s", got, want, r.summary())
			}
			if got := len(texts.all()); got != want-2 {
				t.Errorf("%d text messages, want %d", got, want-2)
			}
		})
	}
}

// Forty houses at once are forty mails to forty owners, and not forty to the manager.
func TestCrowdIsOneMessage(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.manager("Mara", "")
	var ids []string
	for i := range 40 {
		ids = append(ids, fmt.Sprintf("heron-%02d", i))
	}
	r.register(ids...)
	for _, id := range ids {
		now := r.clock.now()
		r.reads(id, "floor", site.Leak, now.Add(-2*time.Minute), 1)
		r.reads(id, "north-bay", site.RH, now, 50)
	}
	r.evaluate()
	r.deliver()
	r.settle(10 * time.Minute)
	owners, manager := 0, 0
	for _, m := range r.mails.all() {
		if m.To == "mara@skerry.example" {
			manager++
		} else {
			owners++
		}
	}
	if owners != 40 || manager > flood+2 {
		t.Errorf("%d mails to owners, %d to the manager; want 40 and at most %d\n%s", owners, manager, flood+2, r.summary())
	}
}
