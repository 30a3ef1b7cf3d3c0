package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"underkeep/store"
	"underkeep/store/site"
)

// TestClerkDownloadsAndVerifies is the warranty clerk's main task in real
// Chromium: sign in, ask for a house and a period, take report, bundle and key,
// and have the bundle verified by the command; at a desk and on a phone, with
// scripts and without, by keyboard but for the days.
func TestClerkDownloadsAndVerifies(t *testing.T) {
	t.Parallel()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("this test needs a browser: apt-get install chromium")
	}
	g := newLogRig(t)
	g.measure(4, 55)
	want(t, g.run(exitOK, "seal"), "sealed ")
	token, err := g.store.CreateToken(t.Context(), store.NewToken{Name: "desk", Role: store.RoleWarranty, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	allocator, stop := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU)
	t.Cleanup(stop)
	ctx, closeTab := chromedp.NewContext(allocator)
	t.Cleanup(closeTab)
	for _, w := range []struct {
		name    string
		width   int64
		scripts bool
	}{{"desktop", 1280, true}, {"phone without scripts", 320, false}, {"phone", 320, true}, {"desktop without scripts", 1280, false}} {
		t.Run(w.name, func(t *testing.T) {
			folder := t.TempDir()
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(w.width, 800)); err != nil {
				t.Fatal(err)
			}
			for _, set := range []func() error{
				func() error {
					_, err := chromedp.CallBrowser(ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: "allow", DownloadPath: folder})
					return err
				},
				func() error {
					_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !w.scripts})
					return err
				},
			} {
				if err := set(); err != nil {
					t.Fatal(err)
				}
			}
			bundle, key := takeClaim(t, ctx, g.web, token, folder)
			want(t, g.run(exitOK, "verify", bundle, "--key", key), "heron-07", "verdict: ", "not-proven")
		})
	}
}

// takeClaim goes from sign-in to the two files.
func takeClaim(t *testing.T, ctx context.Context, web, token, folder string) (bundle, key string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	press := func(selector string) chromedp.Action[chromedp.Void] {
		return chromedp.Steps(chromedp.Focus(chromedp.CSS(selector)), chromedp.KeyEvent("\r"))
	}
	today := site.DateOf(time.Now().UTC())
	err := chromedp.Do(ctx,
		chromedp.Navigate(web+"/sign-in"), chromedp.SendKeys(chromedp.CSS("#token"), token+"\r"), chromedp.WaitVisible(chromedp.CSS(".who")),
		press(`nav a[href="/warranty"]`), chromedp.WaitVisible(chromedp.CSS("#from")),
		chromedp.SetValue(chromedp.CSS("#from"), today.AddDays(-5).String()), chromedp.SetValue(chromedp.CSS("#to"), today.AddDays(-2).String()),
		chromedp.SendKeys(chromedp.CSS("#q"), "Heron\r"), chromedp.WaitVisible(chromedp.CSS(`.houses a[href*="/properties/heron-07/conditions"]`)),
		press(`.houses a[href*="/properties/heron-07/conditions"]`), chromedp.WaitVisible(chromedp.CSS("#verdict-h")),
		press(`.links a[href*="/evidence"]`), press(`#verify-h ~ ol a[href="/v1/evidence/key"]`), press(`.links a[href*="/report"]`))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for deadline := time.Now().Add(30 * time.Second); len(files) < 3; {
		if time.Now().After(deadline) {
			t.Fatalf("downloaded only %v", files)
		}
		list, err := os.ReadDir(folder)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range list {
			if ext := filepath.Ext(f.Name()); ext == ".zip" || ext == ".txt" || ext == ".pdf" {
				files[ext] = filepath.Join(folder, f.Name())
			}
		}
		select {
		case <-ctx.Done():
			t.Fatal(ctx.Err(), files)
		case <-time.After(20 * time.Millisecond):
		}
	}
	if name := filepath.Base(files[".zip"]); !strings.HasPrefix(name, "heron-07_"+today.AddDays(-5).String()+"_"+today.AddDays(-2).String()) {
		t.Errorf("the bundle is called %s", name)
	}
	return files[".zip"], files[".txt"]
}
