package pages_test

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

var keyPattern = regexp.MustCompile(`<input type="hidden" name="form" value="([^"]+)">`)

// key of the last form of a page; the first is that to sign out.
func key(t *testing.T, body string) string {
	t.Helper()
	all := keyPattern.FindAllStringSubmatch(body, -1)
	if len(all) == 0 {
		t.Fatal("no form on the page")
	}
	return all[len(all)-1][1]
}

func TestSettingsAreTheManagers(t *testing.T) {
	t.Parallel()
	for _, token := range []string{viewtest.OwnerToken, viewtest.TechnicianToken, viewtest.WarrantyToken} {
		b := signedIn(t, token)
		for _, path := range []string{"/settings", "/settings/properties", "/settings/properties/heron-07", "/settings/properties/heron-07/limits", "/settings/quarantine", "/settings/quarantine/2"} {
			if res := b.send("GET", path, nil); res.StatusCode != http.StatusForbidden {
				t.Errorf("%s %s: %d", token, path, res.StatusCode)
			}
		}
		if res := b.send("POST", "/settings/quarantine/2/discard", url.Values{}); res.StatusCode != http.StatusForbidden {
			t.Errorf("%s discards: %d", token, res.StatusCode)
		}
	}
	if body := signedIn(t, viewtest.ManagerToken).page("/settings"); !strings.Contains(body, "1 open") || !strings.Contains(body, "8 of them") {
		t.Error(body)
	}
}

func TestARefusedFileSaysWhereAndComesBack(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/settings/properties/new")
	res := b.send("POST", "/settings/properties", url.Values{"form": {key(t, body)}, "file": {"property: teal-09\ncolour: <blue>"}})
	refused := text(res)
	if res.StatusCode != http.StatusUnprocessableEntity {
		t.Fatalf("%d", res.StatusCode)
	}
	b.expect(refused, "Line 2, colour", "colour: &lt;blue&gt;", "nothing was changed")
	res = b.send("POST", "/settings/properties", url.Values{"form": {key(t, refused)}, "file": {"property: teal-09\nname: 9 Teal Lane"}})
	if to := res.Header.Get("Location"); to != "/settings/properties/teal-09?done=added" {
		t.Fatalf("%d %s", res.StatusCode, to)
	}
	b.expect(b.page("/settings/properties/teal-09?done=added"), "9 Teal Lane", "was added", "from the start")
	if res := b.send("POST", "/settings/properties/teal-09", url.Values{"file": {"property: teal-09\nname: Forged"}}); res.StatusCode != http.StatusForbidden {
		t.Errorf("without a key: %d", res.StatusCode)
	}
}

// TestEveryLimitCanBeChanged sends the form of each condition with its own
// numbers but one, which must be taken as written and come to the same.
func TestEveryLimitCanBeChanged(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	field := regexp.MustCompile(`<input id="l-([a-z_]+)" name="[a-z_]+" value="([^"]*)"`)
	for _, c := range site.Conditions() {
		path := "/settings/properties/heron-07/limits/" + string(c)
		numbers := field.FindAllStringSubmatch(b.page(path), -1)
		if len(numbers) == 0 {
			t.Errorf("%s has no numbers", c)
			continue
		}
		q := url.Values{"days": {"7"}}
		for i, n := range numbers {
			value := html.UnescapeString(n[2])
			if i == 0 {
				value += " " // is trimmed; the next one is said in full
			}
			q.Set(n[1], value)
		}
		b.expect(b.page(path+"?"+q.Encode()), "nothing differs")
		q.Set("watch", "off")
		b.expect(b.page(path+"?"+q.Encode()), "What it would have raised")
		q.Del("watch")
		q.Set(numbers[0][1], "blue")
		res := b.send("GET", path+"?"+q.Encode(), nil)
		if body := text(res); res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, `id="w-`+numbers[0][1]+`"`) {
			t.Errorf("%s: %d, or the error is not beside its field", c, res.StatusCode)
		}
	}
}

func TestQuarantineIsSettled(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/settings/quarantine")
	b.expect(body, "wrong-unit", "unit F, accepted Cel")
	if strings.Contains(body, "unknown-property") {
		t.Error("what was dealt with is among the open ones")
	}
	b.expect(b.page("/settings/quarantine?all=1"), "unknown-property", "discarded by Dana Brook")
	item := b.page("/settings/quarantine/2")
	b.expect(item, "&#34;u&#34;:&#34;F&#34;", "Try it again")
	res := b.send("POST", "/settings/quarantine/2/discard", url.Values{"form": {key(t, item)}})
	if res.StatusCode != http.StatusSeeOther {
		t.Fatalf("%d", res.StatusCode)
	}
	b.expect(b.page("/settings/quarantine/2"), "discarded by Dana Brook")
	b.expect(b.page("/settings/quarantine"), "Nothing here.")
}

// changeALimit is the manager's way to another limit, with the keyboard alone:
// see what it would have raised, then put it in force.
func (b *tab) changeALimit(scripts bool) {
	b.t.Helper()
	field := chromedp.CSS("#l-above")
	b.do(
		chromedp.Navigate(b.base+"/settings/properties/heron-07/limits"),
		chromedp.SendKeys(chromedp.CSS("#token"), viewtest.ManagerToken+enter),
		chromedp.WaitVisible(chromedp.CSS(".houses")),
		chromedp.Focus(chromedp.CSS(`a[href="/settings/properties/heron-07/limits/humidity-high"]`)), chromedp.KeyEvent(enter),
		chromedp.WaitVisible(field),
	)
	clear := kb.End + strings.Repeat(kb.Backspace, 12)
	b.do(chromedp.SendKeys(field, clear+"76 %RH"), chromedp.SendKeys(chromedp.CSS("#l-high_above"), clear+"80 %RH"+enter), chromedp.WaitVisible(chromedp.CSS("#r-h")))
	if scripts {
		b.fits("the rehearsal")
	}
	body, err := chromedp.Run(b.ctx, chromedp.TextContent(chromedp.CSS("main")))
	if err != nil {
		b.t.Fatal(err)
	}
	if !strings.Contains(body, "Only as it is") || !strings.Contains(body, "Air too humid at north-bay") {
		b.t.Errorf("the rehearsal does not say what is gone: %s", body)
	}
	b.do(chromedp.Focus(chromedp.CSS(".apply button")), chromedp.KeyEvent(enter), chromedp.WaitVisible(chromedp.CSS(".note")))
}

func TestManagerChangesALimit(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		width   int64
		scripts bool
	}{{"desktop", 1280, true}, {"phone without scripts", 320, false}} {
		t.Run(c.name, func(t *testing.T) {
			b := openTab(t, c.width, c.scripts)
			b.changeALimit(c.scripts)
			if p, err := b.fleet.Property(t.Context(), everything, "heron-07"); err != nil || p.Limits.Value(site.HumidityHigh, "above") != 76 {
				t.Errorf("%v, limit %v", err, p.Limits.Value(site.HumidityHigh, "above"))
			}
			if said := b.complaints(); said != "" {
				t.Error(said)
			}
		})
	}
}

// TestOwnerReadsAndAcknowledges is the owner's main task.
func TestOwnerReadsAndAcknowledges(t *testing.T) {
	t.Parallel()
	eachWay(t, func(t *testing.T, b *tab) {
		first := chromedp.CSS(`form[action="/alarms/106/acknowledge"] button`)
		b.do(
			chromedp.Navigate(b.base+"/"),
			chromedp.SendKeys(chromedp.CSS("#token"), viewtest.OwnerToken+enter),
			chromedp.WaitVisible(chromedp.CSS(".sentence")),
			chromedp.Focus(first), chromedp.KeyEvent(enter),
			chromedp.WaitNotPresent(first), chromedp.WaitVisible(chromedp.CSS("#month-h")),
		)
		a, err := b.fleet.Alarm(t.Context(), everything, "106")
		if err != nil || a.AcknowledgedBy != "R. Okafor" {
			t.Errorf("%v %+v", err, a)
		}
	})
}

// TestManagerAddsAPerson adds somebody and shuts a program out, with the
// keyboard alone.
func TestManagerAddsAPerson(t *testing.T) {
	t.Parallel()
	eachWay(t, func(t *testing.T, b *tab) {
		b.do(chromedp.Navigate(b.base+"/settings"), chromedp.SendKeys(chromedp.CSS("#token"), viewtest.ManagerToken+enter),
			chromedp.WaitVisible(chromedp.CSS(".houses")), press(`a[href="/settings/people/new"]`), chromedp.WaitVisible(chromedp.CSS("#person-name")),
			chromedp.SendKeys(chromedp.CSS("#person-properties"), "no-such"), chromedp.SendKeys(chromedp.CSS("#person-name"), "Ana Sol"+enter),
			chromedp.WaitVisible(chromedp.CSS("#person-properties-w")),
			chromedp.SendKeys(chromedp.CSS("#person-properties"), kb.End+strings.Repeat(kb.Backspace, 8)+"heron-07"),
			chromedp.SendKeys(chromedp.CSS("#person-email"), "ana@example.org"+enter), chromedp.WaitVisible(chromedp.CSS(`.note[role="status"]`)),
			chromedp.Navigate(b.base+"/settings/tokens"), chromedp.WaitVisible(chromedp.CSS("details")),
			press("details summary"), chromedp.WaitVisible(chromedp.CSS("details button")), press("details button"), chromedp.WaitVisible(chromedp.CSS(`.note[role="status"]`)))
		found, _, err := b.fleet.ListPeople(t.Context(), view.PeopleQuery{Role: view.Technician})
		if n := len(found); err != nil || n < 2 || found[n-1].Name != "Ana Sol" || len(found[n-1].Properties) != 1 || found[n-1].Properties[0] != "heron-07" {
			t.Errorf("%v %+v", err, found)
		}
	})
}
