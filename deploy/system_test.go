package deploy_test

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg"
)

// TestPostgresTakesTheSettings starts a real server with underkeep.conf.
func TestPostgresTakesTheSettings(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("postgres/underkeep.conf")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), " = "); ok && !strings.HasPrefix(line, "#") {
			want[name] = strings.Trim(value, "'")
		}
	}
	delete(want, "listen_addresses") // loopback only in tests
	c, err := localpg.Start(t.Context(), localpg.Options{DataDir: filepath.Join(t.TempDir(), "postgres"), Settings: want})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Stop()
	conn, err := pgx.Connect(t.Context(), c.URL())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	for name, value := range want {
		var got string
		if err := conn.QueryRow(t.Context(), "SHOW "+name).Scan(&got); err != nil || got != value {
			t.Errorf("%s is %q (%v), want %q", name, got, err, value)
		}
	}
	for _, name := range []string{"fsync", "synchronous_commit", "full_page_writes"} {
		if want[name] != "on" {
			t.Errorf("%s is not on: an acknowledged reading could be lost", name)
		}
	}
}

// TestUnitFile has systemd itself read the unit and judge how far it is closed off.
func TestUnitFile(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		t.Skip("no systemd on this machine")
	}
	out, _ := exec.Command("systemd-analyze", "verify", "underkeep.service").CombinedOutput()
	for line := range strings.Lines(string(out)) {
		if !strings.Contains(line, "is not executable") && !strings.Contains(line, "Cannot add dependency job") { // not installed here
			t.Errorf("systemd-analyze verify: %s", line)
		}
	}
	// 20 of 100: the scale of systemd-analyze(1), 0 the most closed.
	out, err := exec.Command("systemd-analyze", "security", "--offline=true", "--threshold=20", "underkeep.service").CombinedOutput()
	if err != nil && !strings.Contains(string(out), "unrecognized option") {
		t.Errorf("systemd-analyze security: %v\n%s", err, out)
	}
}

// TestScripts has bash read every script, and shellcheck where it is installed.
func TestScripts(t *testing.T) {
	t.Parallel()
	scripts := []string{"../.ci/run", "mosquitto/add-user.sh"}
	here, err := filepath.Glob("*.sh")
	if err != nil || len(here) < 3 {
		t.Fatalf("scripts found: %v, %v", here, err)
	}
	scripts = append(scripts, here...)
	for _, s := range scripts {
		if out, err := exec.Command("bash", "-n", s).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", s, err, out)
		}
	}
	if _, err := exec.LookPath("shellcheck"); err != nil {
		t.Skip("no shellcheck on this machine")
	}
	cmd := exec.Command("shellcheck", append([]string{"-x", ".ci/run"}, prefixed("deploy/", scripts[1:])...)...)
	cmd.Dir = ".." // the scripts name each other from there
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("shellcheck: %v\n%s", err, out)
	}
}

func prefixed(prefix string, names []string) (out []string) {
	for _, n := range names {
		out = append(out, prefix+n)
	}
	return out
}

// TestScriptsSayWhatIsMissing: an ordinary user is told the packages, and nothing is
// tried on his behalf.
func TestScriptsSayWhatIsMissing(t *testing.T) {
	t.Parallel()
	// A PATH with nothing but "id", which answers as an ordinary user's would.
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "id"), []byte("#!/bin/sh\necho 1000\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bash, "-c", ". ./prepare.sh; need postgresql mosquitto")
	cmd.Env = []string{"PATH=" + dir}
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "apt-get install --no-install-recommends postgresql mosquitto") {
		t.Errorf("%v: %s", err, out)
	}
}
