package pages_test

import (
	"bytes"
	"image"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"underkeep/api/viewtest"
	"underkeep/store/visit"
)

// press uses a link or a button with the keyboard.
func press(selector string) chromedp.Action[chromedp.Void] {
	return chromedp.Steps(chromedp.Focus(chromedp.CSS(selector)), chromedp.KeyEvent(enter))
}

// ways are how people come: at a desk and on the smallest phone, with scripts
// and without.
var ways = []struct {
	name    string
	width   int64
	scripts bool
}{{"desktop", 1280, true}, {"desktop without scripts", 1280, false}, {"phone", 320, true}, {"phone without scripts", 320, false}}

// eachWay runs a task in real Chromium each way, and expects no complaint of the
// browser: a refused style or script, or an error of ours.
func eachWay(t *testing.T, task func(t *testing.T, b *tab)) {
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			t.Parallel()
			b := openTab(t, w.width, w.scripts)
			task(t, b)
			if said := b.complaints(); said != "" {
				t.Error(said)
			}
		})
	}
}

// A technician commissions a house from sign-in to sign-off, with the keyboard
// alone but for choosing the picture: sensors, bucket test, salt check, photo.
func TestTechnicianCommissions(t *testing.T) {
	t.Parallel()
	picture := filepath.Join(t.TempDir(), "basin.jpg")
	var jpg bytes.Buffer
	if err := jpeg.Encode(&jpg, image.NewRGBA(image.Rect(0, 0, 40, 30)), nil); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(picture, jpg.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	eachWay(t, func(t *testing.T, b *tab) {
		at := func(step string) string { return `a[href="/visits/tern-12.v1/` + step + `"]` }
		again := chromedp.Steps(press(`a[href="/visits/tern-12.v1"]`), chromedp.WaitVisible(chromedp.CSS(".steps")))
		b.do(chromedp.Navigate(b.base+"/"), chromedp.SendKeys(chromedp.CSS("#token"), viewtest.TechnicianToken+enter),
			chromedp.WaitVisible(chromedp.CSS(".mine")), again,
			press(at("sensors")), chromedp.WaitVisible(chromedp.CSS(".sensors")), again,
			press(at("pump")), chromedp.WaitVisible(chromedp.CSS("#poured")), chromedp.SendKeys(chromedp.CSS("#poured"), "6.6"),
			chromedp.SendKeys(chromedp.CSS("#seconds"), "12.5"+enter), chromedp.WaitVisible(chromedp.CSS("main h2")), again,
			press(at("salt")), chromedp.WaitVisible(chromedp.CSS("#temp")), chromedp.SendKeys(chromedp.CSS("#temp"), "68"),
			chromedp.SendKeys(chromedp.CSS("#read"), "76.2"+enter), chromedp.WaitVisible(chromedp.CSS("main h2")), again,
			press(at("photos")), chromedp.WaitVisible(chromedp.CSS("#photo")), chromedp.SetUploadFiles(chromedp.CSS("#photo"), []string{picture}),
			chromedp.SendKeys(chromedp.CSS("#caption"), "the basin"+enter), chromedp.WaitVisible(chromedp.CSS(".photos img")), again,
			press(at("finish")), chromedp.WaitVisible(chromedp.CSS("#findings")),
			chromedp.SendKeys(chromedp.CSS("#findings"), "Liner tight, pump runs."), press(`button[value="sign"]`), chromedp.WaitVisible(chromedp.CSS(".text")))
		v, err := b.fleet.Visit(t.Context(), everything, "tern-12.v1")
		if err != nil || v.State != visit.Done || v.EndedBy != "Lee Marsh" || v.Findings != "Liner tight, pump runs." {
			t.Errorf("%v %+v", err, v.Visit)
		}
		// 6.6 US gallons of 3.785411784 L, by definition.
		if len(v.Tests) != 1 || v.Tests[0].PouredL < 24.98 || v.Tests[0].PouredL > 24.99 || v.Tests[0].DrawDownS != 12.5 {
			t.Errorf("tests %+v", v.Tests)
		}
		// 68 °F are 20 °C.
		if len(v.Checks) != 1 || v.Checks[0].ReadPct != 76.2 || v.Checks[0].TempC < 19.99 || v.Checks[0].TempC > 20.01 {
			t.Errorf("salt checks %+v", v.Checks)
		}
		if len(v.Photos) != 1 || v.Photos[0].Caption != "the basin" || v.Photos[0].Width != 40 {
			t.Errorf("photos %+v", v.Photos)
		}
	})
}

// A manager plans a visit from the row of a house and finds it on the list.
func TestManagerPlansAVisit(t *testing.T) {
	t.Parallel()
	eachWay(t, func(t *testing.T, b *tab) {
		b.do(chromedp.Navigate(b.base+"/"), chromedp.SendKeys(chromedp.CSS("#token"), viewtest.ManagerToken+enter),
			chromedp.WaitVisible(chromedp.CSS(".fleet")), press(`a.plan[href*="property=tern-12"]`),
			chromedp.WaitVisible(chromedp.CSS("#crew")), chromedp.SendKeys(chromedp.CSS("#crew"), "South crew"+enter),
			chromedp.WaitVisible(chromedp.CSS("summary")), press(`nav a[href="/visits"]`),
			chromedp.WaitVisible(chromedp.CSS(`a[href="/visits/tern-12.v2"]`)))
		v, err := b.fleet.Visit(t.Context(), everything, "tern-12.v2")
		if err != nil || v.Alarm != "103" || v.Origin != visit.ByAlarm || v.Crew != "South crew" || v.PlannedBy != "Dana Brook" || v.Reason == "" {
			t.Errorf("%v %+v", err, v.Visit)
		}
	})
}

var keyField = regexp.MustCompile(`name="key" value="([^"]+)"`)

// form fills a form of a page that was loaded.
func (b *browser) visitForm(page string, fields ...string) url.Values {
	b.t.Helper()
	m := formKey.FindStringSubmatch(page)
	k := keyField.FindStringSubmatch(page)
	if m == nil || k == nil {
		b.t.Fatal("no form on the page")
	}
	out := url.Values{"form": {m[1]}, "key": {k[1]}}
	for i := 0; i+1 < len(fields); i += 2 {
		out.Add(fields[i], fields[i+1])
	}
	return out
}

var formKey = regexp.MustCompile(`name="form" value="([^"]+)"`)

// A form that is sent twice, as phones below houses do, records one test.
func TestAFormSentTwiceRecordsOnce(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.TechnicianToken)
	form := b.visitForm(b.page("/visits/tern-12.v1/pump"), "method", "float", "pump", "primary", "ran", "yes")
	for range 2 {
		if res := b.send("POST", "/visits/tern-12.v1/pump", form); res.StatusCode != http.StatusSeeOther {
			t.Fatalf("status %d: %s", res.StatusCode, text(res))
		}
	}
	if v, _ := b.fleet.Visit(t.Context(), everything, "tern-12.v1"); len(v.Tests) != 1 {
		t.Errorf("%d tests", len(v.Tests))
	}
}

// What cannot be meant comes back with what was typed and a word on what is
// wrong.
func TestAFormThatCannotBeMeantComesBack(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.TechnicianToken)
	for step, c := range map[string]struct {
		fields []string
		want   []string
	}{
		"pump":     {[]string{"method", "bucket", "pump", "primary", "ran", "yes", "poured", "six", "poured_unit", "gal", "seconds", "12"}, []string{"Water poured", `value="six"`}},
		"salt":     {[]string{"point", "mid-bay", "salt", "NaCl", "temp", "150", "temp_unit", "C", "read", "75"}, []string{"alert", `value="150"`}},
		"readings": {[]string{"quantity", "rh", "value", "140", "place", "<script>"}, []string{"want 0 to 100", "&lt;script&gt;"}},
		"finish":   {[]string{"findings", "", "do", "sign"}, []string{"ay what was found and done"}},
	} {
		form := b.visitForm(b.page("/visits/tern-12.v1/"+step), c.fields...)
		res := b.send("POST", "/visits/tern-12.v1/"+step, form)
		body := text(res)
		if res.StatusCode != http.StatusBadRequest {
			t.Errorf("%s: status %d", step, res.StatusCode)
		}
		for _, want := range c.want {
			if !strings.Contains(body, want) {
				t.Errorf("%s: the page does not say %q", step, want)
			}
		}
	}
}

// A photo goes in by the form and out as a picture that we made.
func TestPhotoByTheForm(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.TechnicianToken)
	form := b.visitForm(b.page("/visits/tern-12.v1/photos"), "caption", "the basin")
	var body, picture bytes.Buffer
	if err := jpeg.Encode(&picture, image.NewRGBA(image.Rect(0, 0, 40, 30)), nil); err != nil {
		t.Fatal(err)
	}
	m := multipart.NewWriter(&body)
	for k, v := range form {
		_ = m.WriteField(k, v[0])
	}
	part, _ := m.CreateFormFile("photo", "basin.jpg")
	_, _ = part.Write(picture.Bytes())
	_ = m.Close()
	r := httptest.NewRequest("POST", "http://127.0.0.1:8080/visits/tern-12.v1/photos", &body)
	r.Header.Set("Content-Type", m.FormDataContentType())
	r.Header.Set("Cookie", b.cookie)
	w := httptest.NewRecorder()
	b.h.ServeHTTP(w, r)
	if w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	v, _ := b.fleet.Visit(t.Context(), everything, "tern-12.v1")
	if len(v.Photos) != 1 || v.Photos[0].Width != 40 || v.Photos[0].Caption != "the basin" {
		t.Fatalf("photos %+v", v.Photos)
	}
	res := b.send("GET", "/photos/"+v.Photos[0].ID+"?size=small", nil)
	if res.StatusCode != http.StatusOK || res.Header.Get("Content-Type") != "image/jpeg" || res.Header.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("photo: %d %v", res.StatusCode, res.Header)
	}
}

// Who may not is told, and an owner reads what was done without who did it.
func TestVisitsAreForWhomTheyAre(t *testing.T) {
	t.Parallel()
	owner := signedIn(t, viewtest.OwnerToken)
	page := owner.page("/visits/heron-07.v1")
	if !strings.Contains(page, "Filter changed, drain clear.") || strings.Contains(page, "Lee Marsh") || strings.Contains(page, "Journal") {
		t.Error("an owner's page of a visit")
	}
	if res := owner.send("GET", "/visits/plover-21.v1", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("another's visit: %d", res.StatusCode)
	}
	technician := signedIn(t, viewtest.TechnicianToken)
	if res := technician.send("GET", "/visits/plan?property=heron-07", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("a technician plans: %d", res.StatusCode)
	}
	if day := technician.page("/visits"); !strings.Contains(day, "My day") || !strings.Contains(day, "Bring") {
		t.Error("a technician's day does not say what to bring")
	}
	manager := signedIn(t, viewtest.ManagerToken)
	if sheet := manager.page("/visits/day-sheet?crew=North+crew&day=2026-07-15"); !strings.Contains(sheet, "7 Heron Lane") || strings.Contains(sheet, "21 Plover Walk") {
		t.Error("the day sheet of the north crew")
	}
	if due := manager.page("/service?within=731"); !strings.Contains(due, "Sensor check") || !strings.Contains(due, "Plan a visit") {
		t.Error("nothing is due in two years")
	}
}

// TestShots keeps pictures of the field pages for somebody to look at.
func TestShots(t *testing.T) {
	dir := os.Getenv("UNDERKEEP_SHOTS")
	if dir == "" {
		t.Skip("UNDERKEEP_SHOTS names no folder for the pictures")
	}
	for token, paths := range visitPagesOf {
		b := openTab(t, 360, true)
		b.do(chromedp.Navigate(b.base+"/sign-in"), chromedp.SendKeys(chromedp.CSS("#token"), token+enter), chromedp.WaitVisible(chromedp.CSS(".who")))
		for _, path := range paths {
			b.do(chromedp.Navigate(b.base+path), chromedp.WaitVisible(chromedp.CSS("main")))
			shot, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(90))
			if err != nil {
				t.Fatal(err)
			}
			name := regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(token[:4]+path, "-") + ".jpg"
			if err := os.WriteFile(filepath.Join(dir, name), shot, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// visitPagesOf lists the field pages by who reads them.
var visitPagesOf = map[string][]string{
	viewtest.TechnicianToken: {"/visits", "/visits/heron-07.v2", "/visits/tern-12.v1", "/visits/tern-12.v1/sensors", "/visits/tern-12.v1/pump",
		"/visits/tern-12.v1/salt", "/visits/tern-12.v1/readings", "/visits/tern-12.v1/photos", "/visits/tern-12.v1/finish"},
	viewtest.ManagerToken: {"/visits", "/visits/plan?property=heron-07&alarm=106", "/visits/heron-07.v1", "/visits/day-sheet?crew=North+crew&day=2026-07-15", "/service?within=366"},
	viewtest.OwnerToken:   {"/visits/heron-07.v1"},
}
