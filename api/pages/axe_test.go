package pages_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"underkeep/api/viewtest"
)

// axe is axe-core, the checker of the Web Content Accessibility Guidelines that
// deploy/test.sh fetches from npm by its published hash.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	script, err := os.ReadFile(filepath.Join(cache, "underkeep", "axe-core-4.14.1.min.js"))
	switch {
	case err == nil:
		return string(script)
	case os.Getenv("CI") != "":
		t.Fatalf("axe-core is missing; run the tests with deploy/test.sh: %v", err)
	default:
		t.Skipf("axe-core is missing; deploy/test.sh fetches it: %v", err)
	}
	return ""
}

// finding is one rule of axe-core that a page breaks.
type finding struct {
	ID, Help string
	Nodes    []struct{ HTML, FailureSummary string }
}

// wcag lists what a page breaks of WCAG 2.2 A and AA, and of good practice.
const wcag = `axe.run(document, {runOnly: ["wcag2a","wcag2aa","wcag21a","wcag21aa","wcag22aa","best-practice"], resultTypes: ["violations"]})` + listed

const listed = `
	.then(r => JSON.stringify(r.violations.map(v => ({id: v.id, help: v.help, nodes: v.nodes.map(n => ({html: n.html, failureSummary: n.failureSummary}))}))))`

// contrast is the only rule that other colours can break.
const contrast = `axe.run(document, {runOnly: {type: "rule", values: ["color-contrast", "link-in-text-block"]}, resultTypes: ["violations"]})` + listed

// judge expects no finding on the page as it stands.
func (b *tab) judge(script, where string) {
	b.t.Helper()
	b.report(b.findings(script, where), where)
}

func (b *tab) report(found []finding, where string) {
	b.t.Helper()
	for _, f := range found {
		for _, n := range f.Nodes[:min(3, len(f.Nodes))] {
			b.t.Errorf("%s breaks %s (%s): %s\n%s", where, f.ID, f.Help, n.HTML, strings.TrimSpace(n.FailureSummary))
		}
	}
}

// findings of axe-core on the page as it stands.
func (b *tab) findings(script, where string) []finding {
	b.t.Helper()
	if _, err := chromedp.Run(b.ctx, chromedp.Evaluate[any](script+";0")); err != nil {
		b.t.Fatalf("%s: load axe-core: %v", where, err)
	}
	return b.broken(wcag, where)
}

// broken runs axe-core, which the page has loaded.
func (b *tab) broken(run, where string) []finding {
	b.t.Helper()
	found, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](run, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: run axe-core: %v", where, err)
	}
	var list []finding
	if err := json.Unmarshal([]byte(found), &list); err != nil {
		b.t.Fatalf("%s: %v", where, err)
	}
	return list
}

// TestTheCheckerSees holds that a page with a picture without words would fail.
func TestTheCheckerSees(t *testing.T) {
	t.Parallel()
	script := axe(t)
	b := openTab(t, 1280, true)
	b.do(chromedp.Navigate(b.base+"/sign-in"), chromedp.WaitVisible(chromedp.CSS("main")),
		chromedp.Evaluate[chromedp.Void](`document.querySelector("main").append(document.createElement("img"))`))
	found := b.findings(script, "sign-in with a picture")
	if len(found) != 1 || found[0].ID != "image-alt" {
		t.Errorf("%+v", found)
	}
}

// pagesOf lists every page by who reads it.
var pagesOf = map[string][]string{
	viewtest.ManagerToken: {"/today", "/today?area=North+Spit", "/properties/heron-07", "/properties/heron-07?span=month", "/properties/tern-12", "/properties/nowhere",
		"/settings", "/settings/properties", "/settings/properties/new", "/settings/properties/heron-07", "/settings/properties/heron-07/limits",
		"/settings/properties/heron-07/limits/humidity-high", "/settings/properties/heron-07/limits/humidity-high?days=30&above=76+%25RH&high_above=80+%25RH",
		"/settings/properties/heron-07/limits/humidity-high?days=30&above=blue", "/settings/quarantine", "/settings/quarantine?all=1", "/settings/quarantine/2",
		"/today?group=area", "/settings/people", "/settings/people/new", "/settings/people/2", "/settings/tokens", "/settings/tokens/new", "/settings/gateways", "/settings/properties/heron-07/gateways",
		"/settings/terms", "/settings/terms/new", "/settings/properties/heron-07/terms", "/settings/routing", "/settings/audit", "/outages?q=heron", "/account", "/deliveries", "/preview"},
	viewtest.WarrantyToken: {"/warranty", conditionsOfHeron},
	viewtest.OwnerToken:    {"/home", "/home/heron-07", "/properties/heron-07", "/properties/heron-07/outages"},
}

// allPages adds the field pages.
func allPages() map[string][]string {
	out := maps.Clone(visitPagesOf)
	for token, paths := range pagesOf {
		out[token] = append(slices.Clone(paths), out[token]...)
	}
	return out
}

// TestPagesAreForEveryone holds every page against WCAG 2.2 AA on a desktop and
// on the smallest phone, its colours light and dark; nothing sticks out
// sideways, also at 200 % zoom, which leaves a desktop half as many pixels.
func TestPagesAreForEveryone(t *testing.T) {
	t.Parallel()
	script := axe(t)
	for _, width := range []int64{1280, 320} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			t.Parallel()
			b := openTab(t, width, true)
			b.do(chromedp.Navigate(b.base+"/sign-in"), chromedp.WaitVisible(chromedp.CSS("main")))
			b.judge(script, "sign-in")
			for token, paths := range allPages() {
				b.do(chromedp.Navigate(b.base+"/sign-in"),
					chromedp.SendKeys(chromedp.CSS("#token"), token+enter), chromedp.WaitVisible(chromedp.CSS(".who")))
				for _, path := range paths {
					b.everybody(script, path, width)
				}
			}
		})
	}
}

func (b *tab) everybody(script, path string, width int64) {
	b.t.Helper()
	b.colours("light")
	b.do(chromedp.Navigate(b.base+path), chromedp.WaitVisible(chromedp.CSS("main")))
	b.fits(path)
	b.judge(script, path)
	b.colours("dark")
	b.report(b.broken(contrast, path), path+" in the dark")
	if width > 640 {
		b.do(chromedp.EmulateViewport(width/2, 400))
		b.fits(path + " at 200 %")
		b.do(chromedp.EmulateViewport(width, 800))
	}
}

// colours sets what the person's device prefers.
func (b *tab) colours(mode string) {
	b.t.Helper()
	params := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: mode}}}
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, params); err != nil {
		b.t.Fatal(err)
	}
}
