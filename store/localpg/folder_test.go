package localpg

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// installation writes programs that say they are of a version.
func installation(t *testing.T, version string) string {
	t.Helper()
	dir := t.TempDir()
	script := fmt.Sprintf("#!/bin/sh\necho 'postgres (PostgreSQL) %s'\n", version)
	for _, name := range []string{"initdb", "postgres"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestNewestProgramsComeFirst(t *testing.T) {
	t.Parallel()
	dirs := []string{
		installation(t, "13.20 (Debian 13.20-0)"), installation(t, "14.1"), t.TempDir(), "relative",
		installation(t, "17beta1"), installation(t, "9.6.24"), installation(t, "16.2 (Debian 16.2-1)"),
	}
	found, err := findBinaries(t.Context(), dirs)
	if err != nil {
		t.Fatal(err)
	}
	var majors []int
	for _, b := range found {
		majors = append(majors, b.major)
	}
	if got := fmt.Sprint(majors); got != "[17 16 14]" {
		t.Errorf("found %v, want [17 16 14]", got)
	}
}

func TestNoProgramsNamesTheWayOut(t *testing.T) {
	t.Parallel()
	for _, dir := range []string{t.TempDir(), installation(t, "13.20")} {
		_, err := Start(t.Context(), Options{DataDir: filepath.Join(openFolder(t), "data"), BinDirs: []string{dir}})
		wantError(t, err, ErrNoBinaries, `"postgresql"`, "UNDERKEEP_DATABASE_URL", "14")
	}
}

// fingerprint lists a folder with sizes and times, to see that nothing changed.
func fingerprint(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		fmt.Fprintln(&b, path, info.Size(), info.ModTime().UnixNano())
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestClusterOfAnotherVersionIsLeftAlone(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ version, says string }{{"13", "PostgreSQL 13"}, {"99", "postgresql-99"}, {"x", "PG_VERSION"}, {"", "no cluster"}} {
		dir := foreignFolder(t, c.version)
		before := fingerprint(t, filepath.Join(dir, "cluster"))
		_, err := Start(t.Context(), Options{DataDir: dir})
		wantError(t, err, ErrVersion, c.says)
		if fingerprint(t, filepath.Join(dir, "cluster")) != before {
			t.Errorf("version %s: the cluster was changed", c.version)
		}
	}
}

// foreignFolder gives a data folder with what looks like a cluster of a version, or
// with no version.
func foreignFolder(t *testing.T, version string) string {
	t.Helper()
	dir := openFolder(t)
	cluster := filepath.Join(dir, "cluster")
	if err := os.MkdirAll(filepath.Join(cluster, "base"), 0o700); err != nil {
		t.Fatal(err)
	}
	if version != "" {
		if err := os.WriteFile(filepath.Join(cluster, "PG_VERSION"), []byte(version+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if a, err := unprivileged(); err == nil && os.Geteuid() == 0 {
		if err := a.own(cluster); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestClosedParent has the data folder below one that only its owner may enter,
// as /root is.
func TestClosedParent(t *testing.T) {
	t.Parallel()
	parent := filepath.Join(openFolder(t), "closed")
	if err := os.Mkdir(parent, 0o700); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(parent, "data")
	c := begin(t, dir)
	execute(t, c.URL(), "CREATE TABLE kept AS SELECT 1")
	if err := syscall.Kill(c.PID(), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	until(t, "the server runs again", func() bool { return c.Restarts() == 1 })
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	pid := orphan(t, begun(t, c))
	again := begin(t, dir)
	if text(t, again.URL(), "SELECT count(*)::text FROM kept") != "1" || again.PID() == pid {
		t.Error("not taken over")
	}
}

// begun gives a stopped cluster a place to listen again.
func begun(t *testing.T, c *Cluster) *Cluster {
	t.Helper()
	dir, err := c.makeSocketDir()
	if err != nil {
		t.Fatal(err)
	}
	c.endpoint.socketDir = dir
	return c
}

func TestForeignClusterIsRefused(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("only root can give a folder away")
	}
	dir := clusterFolder(t)
	if err := os.Chown(filepath.Join(dir, "cluster"), 0, 0); err != nil {
		t.Fatal(err)
	}
	_, err := Start(t.Context(), Options{DataDir: dir})
	if err == nil || !strings.Contains(err.Error(), "chown") {
		t.Errorf("a cluster of root's: %v, want advice", err)
	}
}

// TestAsAnOrdinaryUser runs the tests of this package once more as a user without
// rights.
func TestAsAnOrdinaryUser(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("is an ordinary user already")
	}
	dir := openFolder(t)
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "localpg.test")
	if out, err := exec.Command("cp", os.Args[0], program).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	nobody, err := unprivilegedNamed("nobody")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-test.run", "KeepsItsData|KilledService|TakenOver|ADeadOrTorn|NobodyElse|Passwords", "-test.v")
	cmd.Dir = dir
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + dir, "HOME=" + dir}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(nobody.uid), Gid: uint32(nobody.gid)}}
	out, err := cmd.CombinedOutput()
	if err != nil || strings.Count(string(out), "--- PASS") < 6 {
		t.Errorf("as user nobody: %v\n%s", err, out)
	}
}
