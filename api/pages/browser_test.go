package pages_test

import (
	"context"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"underkeep/api"
	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

// tab is a real browser before the service.
type tab struct {
	t        testing.TB
	ctx      context.Context
	base     string
	fleet    *viewtest.Fleet
	mu       sync.Mutex // owns messages
	added    int        // readings, each later than the one before
	messages []string   // what the browser complained about
}

var closeBrowser = func() {}

// sharedBrowser is one Chromium for all tests of the package.
var sharedBrowser = sync.OnceValues(func() (context.Context, error) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return nil, err
	}
	allocator, stop := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU)
	ctx, end := chromedp.NewContext(allocator)
	closeBrowser = func() { end(); stop() }
	return ctx, chromedp.Do(ctx, chromedp.Navigate("about:blank"))
})

// TestMain closes the browser when the last test has ended.
func TestMain(m *testing.M) {
	code := m.Run()
	closeBrowser()
	os.Exit(code)
}

func openTab(t testing.TB, width int64, scripts bool) *tab {
	t.Helper()
	parent, err := sharedBrowser()
	if err != nil {
		t.Fatalf("this test needs a browser (apt-get install chromium): %v", err)
	}
	fleet := viewtest.New()
	server := httptest.NewServer(api.New(api.Options{Source: fleet, Now: func() time.Time { return viewtest.Now }}))
	t.Cleanup(server.Close)
	// Cookies are those of the context, so tabs know nothing of each other.
	ctx, closeTab := chromedp.NewContext(parent, chromedp.WithNewBrowserContext())
	t.Cleanup(closeTab)
	b := &tab{t: t, ctx: ctx, base: server.URL, fleet: fleet}
	messages := chromedp.Console(ctx)
	b.do(chromedp.EmulateViewport(width, 800))
	go b.listen(messages)
	ctx, cancel := context.WithTimeout(ctx, 8*time.Minute)
	t.Cleanup(cancel)
	b.ctx = ctx
	// Each tab is to think that it has the keyboard, whichever is in front.
	if _, err := chromedp.Call(ctx, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true}); err != nil {
		t.Fatal(err)
	}
	if !scripts {
		if _, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func (b *tab) listen(messages func(func(chromedp.ConsoleMessage, error) bool)) {
	for m, err := range messages {
		if err != nil {
			return // the tab is closed
		}
		if strings.Contains(m.Text, "status of 422") {
			continue // a form was refused, as it should be
		}
		b.mu.Lock()
		b.messages = append(b.messages, m.Text)
		b.mu.Unlock()
	}
}

func (b *tab) complaints() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Join(b.messages, "\n")
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, steps...); err != nil {
		b.t.Fatalf("%v\n%s", err, b.complaints())
	}
}

// fits expects nothing to stick out sideways.
func (b *tab) fits(where string) {
	b.t.Helper()
	over, err := chromedp.Run(b.ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth - document.documentElement.clientWidth`))
	if err != nil {
		b.t.Fatal(err)
	}
	if over > 0 {
		b.t.Errorf("%s is %d px too wide", where, over)
	}
}

const enter = "\r"

// managersMorning is the manager's main task from sign-in to done, with the
// keyboard alone.
func (b *tab) managersMorning(scripts bool) {
	b.t.Helper()
	b.do(
		chromedp.Navigate(b.base+"/"),
		chromedp.SendKeys(chromedp.CSS("#token"), viewtest.ManagerToken+enter),
		chromedp.WaitVisible(chromedp.CSS(".fleet")),
	)
	if scripts {
		b.fits("Today")
	}
	b.do(
		chromedp.Focus(chromedp.CSS(`.fleet a[href="/properties/heron-07"]`)), chromedp.KeyEvent(enter),
		chromedp.WaitVisible(chromedp.CSS(".chart")),
	)
	if scripts {
		b.fits("the property")
	}
	first := chromedp.CSS(`form[action="/alarms/106/acknowledge"] button`)
	b.do(
		chromedp.Focus(first), chromedp.KeyEvent(enter),
		chromedp.WaitNotPresent(first), chromedp.WaitVisible(chromedp.CSS(".chart")),
	)
	body, err := chromedp.Run(b.ctx, chromedp.TextContent(chromedp.CSS("main")))
	if err != nil {
		b.t.Fatal(err)
	}
	if !strings.Contains(body, "seen by Dana Brook") {
		b.t.Error("the page does not say who has seen the alarm")
	}
}

func TestManagersMorning(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		width   int64
		scripts bool
	}{
		{"desktop", 1280, true}, {"phone without scripts", 320, false}, {"phone", 320, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := openTab(t, c.width, c.scripts)
			b.managersMorning(c.scripts)
			a, err := b.fleet.Alarm(t.Context(), everything, "106")
			if err != nil || a.State != "acknowledged" || a.AcknowledgedBy != "Dana Brook" {
				t.Errorf("%v %+v", err, a)
			}
			// A refused style or script, or an error of ours, would stand here.
			if said := b.complaints(); said != "" {
				t.Error(said)
			}
		})
	}
}

// showsWhatArrives waits until a page in view shows a new reading without being
// loaded again, and says how long that took.
func (b *tab) showsWhatArrives(value float64) time.Duration {
	b.t.Helper()
	b.added++
	b.fleet.AddReading(viewtest.Series{Property: "heron-07", Point: "north-bay", Quantity: site.RH}, view.Reading{At: viewtest.Now.Add(time.Duration(b.added) * time.Millisecond), Value: value})
	began := time.Now()
	seen := fmt.Sprintf(`document.querySelector(".section").textContent.includes("%g %%RH") && window.sameDocument`, value)
	b.do(chromedp.Poll[chromedp.Void](seen, chromedp.WithPollingTimeout(30*time.Second)))
	return time.Since(began)
}

func (b *tab) watchHeron() {
	b.t.Helper()
	b.do(
		chromedp.Navigate(b.base+"/properties/heron-07"),
		chromedp.SendKeys(chromedp.CSS("#token"), viewtest.ManagerToken+enter),
		chromedp.WaitVisible(chromedp.CSS(".section")),
		chromedp.Evaluate[chromedp.Void](`window.sameDocument = true`),
	)
}

func TestPropertyShowsWhatArrives(t *testing.T) {
	t.Parallel()
	b := openTab(t, 1280, true)
	b.watchHeron()
	t.Logf("shown after %s", b.showsWhatArrives(84))
	if said := b.complaints(); said != "" {
		t.Error(said)
	}
}

// BenchmarkLive measures from a reading being stored until Chromium shows it.
//
//	go test -run xxx -bench Live -benchtime 10x ./api/pages
func BenchmarkLive(b *testing.B) {
	tab := openTab(b, 1280, true)
	tab.watchHeron()
	var longest, sum time.Duration
	for i := 0; b.Loop(); i++ {
		took := tab.showsWhatArrives(80 + float64(i%15))
		longest, sum = max(longest, took), sum+took
	}
	b.ReportMetric(sum.Seconds()/float64(b.N), "mean-s")
	b.ReportMetric(longest.Seconds(), "longest-s")
}
