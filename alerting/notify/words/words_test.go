package words

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

var update = flag.Bool("update", false, "write the messages anew; read them then")

// Every condition in both languages, both systems of units, for owner and
// company, as they would be sent. The files are to be read by a person whenever
// they change.
func TestMessagesOfEveryCondition(t *testing.T) {
	t.Parallel()
	for _, l := range Langs() {
		for _, sys := range []units.System{units.US, units.SI} {
			var b strings.Builder
			for _, c := range site.Conditions() {
				for _, owner := range []bool{true, false} {
					m := Example(l, sys, owner, c, Raised)
					mail := m.Mail()
					fmt.Fprintf(&b, "==== %s, owner: %t\nSubject: %s\n\n%s\n-- as a text message:\n%s\n\n", c, owner, mail.Subject, mail.Text, m.Text())
				}
				m := Example(l, sys, true, c, Returned)
				fmt.Fprintf(&b, "==== %s, over\nSubject: %s\n\n%s\n", c, m.Subject(), m.Mail().Text)
			}
			golden(t, fmt.Sprintf("alarms.%s.%s.txt", l, sys), b.String())
		}
	}
}

// Everything else that people are written to.
func TestOtherMessages(t *testing.T) {
	t.Parallel()
	for _, l := range Langs() {
		r := Example(l, units.US, false, site.HighWaterAlarm, Raised).Reader
		at := time.Date(2026, 9, 14, 20, 5, 0, 0, time.UTC)
		houses := []House{{Property: "7 Heron Lane", Condition: site.MainsLost, Priority: alerting.High, RaisedAt: at, Zone: r.Zone, Event: "12"},
			{Property: "9 Heron Lane", Condition: site.HighWaterAlarm, Point: "sump", Priority: alerting.Urgent, RaisedAt: at, Zone: r.Zone}}
		reminder := Example(l, units.US, false, site.HighWaterAlarm, Reminder)
		corrected := Example(l, units.SI, true, site.HumidityHigh, Corrected)
		late := Example(l, units.SI, true, site.HighWaterAlarm, Raised)
		late.Late, late.Alarms[0].OverAt = true, at.Add(2*time.Hour)
		list, digest := List{Reader: r, Houses: houses, PageURL: "https://watch.example/today"}, List{Reader: r, Digest: true, Houses: houses}
		summary := ExampleSummary(l, units.US)
		weekly := Weekly{Reader: r, From: at, To: at.AddDate(0, 0, 7), Alarms: 12, CallOuts: 7, Properties: 5, Worst: []string{"7 Heron Lane: 4"}, Quarantine: 3}
		sick := Sick{Reader: r, Channel: "mail", Waiting: 4, Since: at, Error: "connection refused"}
		var b strings.Builder
		for _, m := range []Mail{reminder.Mail(), corrected.Mail(), late.Mail(), list.Mail(), digest.Mail(), summary.Mail(), weekly.Mail(),
			sick.Mail(), r.SignIn("https://watch.example/sign-in/x", 15*time.Minute), r.Invite("Dana Brook", "https://watch.example/sign-in/x", 72*time.Hour), r.Test()} {
			fmt.Fprintf(&b, "====\nSubject: %s\n\n%s\n", m.Subject, m.Text)
		}
		fmt.Fprintf(&b, "==== text messages\n%s\n%s\n", list.Text(), sick.Text())
		golden(t, fmt.Sprintf("others.%s.txt", l), b.String())
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s: %s", name, diff)
	}
}

// No word is missing in any language, and formats take the same arguments.
func TestLanguagesAreComplete(t *testing.T) {
	t.Parallel()
	verbs := regexp.MustCompile(`%(\[\d\])?[sd]`)
	en := reflect.ValueOf(english)
	for _, l := range Langs() {
		p := reflect.ValueOf(*of(l))
		for i := range p.NumField() {
			name := p.Type().Field(i).Name
			if p.Field(i).IsZero() {
				t.Errorf("%s: %s is empty", l, name)
			}
			if p.Field(i).Kind() == reflect.String {
				a, b := verbs.FindAllString(p.Field(i).String(), -1), verbs.FindAllString(en.Field(i).String(), -1)
				if strings.Join(a, "") != strings.Join(b, "") {
					t.Errorf("%s: %s takes %v, in English %v", l, name, a, b)
				}
			}
		}
		for _, c := range site.Conditions() {
			w := reflect.ValueOf(conditions(l)[c])
			for i := range w.NumField() {
				if w.Field(i).String() == "" {
					t.Errorf("%s: %s has no %s", l, c, w.Type().Field(i).Name)
				}
			}
		}
		for _, q := range site.Quantities() {
			if QuantityName(l, q.Quantity) == "" {
				t.Errorf("%s: no name for %s", l, q.Name)
			}
		}
	}
}

// The text and the HTML of a mail say the same, and both carry a caution and
// that this is no life-safety system.
func TestBothFormsSayTheSame(t *testing.T) {
	t.Parallel()
	tags := regexp.MustCompile(`(?s)<title>.*?</title>|<[^>]*>`)
	for _, l := range Langs() {
		for _, c := range site.Conditions() {
			m := Example(l, units.SI, true, c, Raised)
			mail := m.Mail()
			html := strings.Join(strings.Fields(strings.NewReplacer("&#39;", "'", "&#34;", `"`, "&amp;", "&", "&lt;", "<", "&gt;", ">", "&#43;", "+").Replace(tags.ReplaceAllString(mail.HTML, " "))), " ")
			text := strings.Join(strings.Fields(mail.Text), " ")
			for _, must := range append(m.cautions(), of(l).NoLifeSafety, For(l, c).Owner, For(l, c).Plain) {
				if !strings.Contains(text, must) || !strings.Contains(html, must) {
					t.Errorf("%s, %s: %q is missing", c, l, must)
				}
			}
		}
	}
}

func TestTextMessagesAreShortAndKeepTheirLink(t *testing.T) {
	t.Parallel()
	for _, l := range Langs() {
		for _, c := range site.Conditions() {
			for _, owner := range []bool{true, false} {
				m := Example(l, units.US, owner, c, Raised)
				m.Property = strings.Repeat("A long name ", 30)
				m.SeenURL = "https://watch.example/seen/" + strings.Repeat("x", 52)
				text := m.Text()
				if n := len([]rune(text)); n > textLength || !strings.HasSuffix(text, m.SeenURL) {
					t.Errorf("%s: %d characters: %s", c, n, text)
				}
			}
		}
	}
}

// What comes from a property file or a person's name stays on its line.
func TestLineKeepsToItsLine(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"7 Heron Lane\r\nBcc: everybody@example.org": "7 Heron Lane  Bcc: everybody@example.org",
		"a\x00b\u202ec\u2028d":                       "abc d",
		"Casa Ñandú 🏠":                               "Casa Ñandú 🏠",
		strings.Repeat("x", 300):                     strings.Repeat("x", 199) + "…",
	} {
		if got := Line(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	m := Example(English, units.US, true, site.HighWaterAlarm, Raised)
	m.Property = "x\r\nBcc: y@example.org"
	if s := m.Subject(); strings.ContainsAny(s, "\r\n") {
		t.Errorf("subject %q", s)
	}
	m.Property = "<script>alert(1)</script>"
	if h := m.Mail().HTML; strings.Contains(h, "<script>") {
		t.Error("the name of a property became HTML")
	}
}

// Around the change of clocks two moments show the same time of day; the name of
// the zone tells them apart (2026-11-01 06:00 UTC is 01:00 EST, an hour after 01:00 EDT).
func TestTimesAroundTheChangeOfClocks(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	before, after := at(English, time.Date(2026, 11, 1, 5, 0, 0, 0, time.UTC), zone), at(English, time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC), zone)
	if before != "Sun November 1, 01:00 EDT" || after != "Sun November 1, 01:00 EST" {
		t.Errorf("%q, %q", before, after)
	}
}
