package localpg

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// service is this test binary in the part of a service, see playService.
type service struct {
	cmd  *exec.Cmd
	told *bufio.Scanner
}

func startService(t *testing.T, dir string) *service {
	t.Helper()
	s := &service{cmd: exec.Command(os.Args[0])}
	s.cmd.Env = append(os.Environ(), roleVariable+"="+dir)
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	s.told = bufio.NewScanner(out)
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.cmd.Process.Kill() })
	return s
}

// hear takes the next n committed rows.
func (s *service) hear(t *testing.T, n int) (rows []string) {
	t.Helper()
	for len(rows) < n && s.told.Scan() {
		if strings.HasPrefix(s.told.Text(), "error") {
			t.Fatal(s.told.Text())
		}
		rows = append(rows, s.told.Text())
	}
	return rows
}

// kill9 kills the service and returns what it had still told.
func (s *service) kill9(t *testing.T) []string {
	t.Helper()
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	rest := s.hear(t, 1<<30)
	s.cmd.Wait() // killed, as wanted
	return rest
}

func TestKilledServiceLosesNothing(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	var told []string
	for range 3 {
		s := startService(t, dir)
		told = append(told, s.hear(t, 50)...)
		told = append(told, s.kill9(t)...)
	}
	c := begin(t, dir)
	query := "SELECT count(*)::text FROM told WHERE n = ANY('{" + strings.Join(told, ",") + "}')"
	if got := text(t, c.URL(), query); got != strconv.Itoa(len(told)) {
		t.Errorf("%s of %d committed rows are there", got, len(told))
	}
}

func TestServerEndsWithAKilledService(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	s := startService(t, dir)
	s.hear(t, 1)
	pid, err := readPostmasterPID(filepath.Join(dir, "cluster"))
	if err != nil {
		t.Fatal(err)
	}
	s.kill9(t)
	until(t, "the server has ended", func() bool { return syscall.Kill(pid, 0) == syscall.ESRCH })
}

func TestOnlyOneServiceOnACluster(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	s := startService(t, dir)
	s.hear(t, 1)
	_, err := Start(t.Context(), Options{DataDir: dir})
	wantError(t, err, ErrInUse, strconv.Itoa(s.cmd.Process.Pid), "UNDERKEEP_DATA")
	if len(s.hear(t, 5)) != 5 {
		t.Error("the first service was disturbed")
	}
}

// orphan starts a server that does not end with its service, as one that missed the
// parent-death signal would be.
func orphan(t *testing.T, c *Cluster) int {
	t.Helper()
	cmd := exec.Command(c.bin.path("postgres"))
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	folder, opened, err := c.account.runIn(cmd, c.pgdata())
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	cmd.Args = append(cmd.Args, c.args(folder, true)...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill() })
	go cmd.Wait() // no zombie
	until(t, "the orphan answers", func() bool { return c.answers(t.Context()) == nil })
	return cmd.Process.Pid
}

func TestServerOfAnEarlierServiceIsTakenOver(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	c := begin(t, dir)
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	pid := orphan(t, c)
	execute(t, c.URL(), "CREATE TABLE kept AS SELECT 1")
	next := begin(t, dir)
	if got := text(t, next.URL(), "SELECT count(*)::text FROM kept"); got != "1" {
		t.Errorf("%s rows of the earlier server are there, want 1", got)
	}
	if next.PID() == pid || syscall.Kill(pid, 0) == nil {
		t.Error("the earlier server still runs")
	}
}

func TestKilledServerIsStartedAgain(t *testing.T) {
	t.Parallel()
	c := begin(t, clusterFolder(t))
	execute(t, c.URL(), "CREATE TABLE kept (n int)")
	// A statement that never looks up keeps its process busy after the server's death.
	busy := connect(t, c.URL())
	go busy.Exec(context.Background(), "SELECT count(*) FROM generate_series(1, 100000000000) AS g")
	for round := 1; round <= 2; round++ {
		execute(t, c.URL(), "INSERT INTO kept VALUES ($1)", round)
		if err := syscall.Kill(c.PID(), syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		until(t, "the server runs again", func() bool { return c.Restarts() == round })
		until(t, "it answers", func() bool { return c.answers(t.Context()) == nil })
	}
	if got := text(t, c.URL(), "SELECT sum(n)::text FROM kept"); got != "3" {
		t.Errorf("sum of the committed rows is %s, want 3", got)
	}
}

func TestPIDFileThatNamesAnotherProgram(t *testing.T) {
	t.Parallel()
	other := begin(t, clusterFolder(t))
	for name, pid := range map[string]func(*testing.T, account) int{
		"some program of the same user": sleeper,
		"a server of another cluster":   func(*testing.T, account) int { return other.PID() },
	} {
		t.Run(name, func(t *testing.T) {
			dir := clusterFolder(t)
			number := pid(t, other.account)
			stale := fmt.Sprintf("%d\n%s/cluster\n1\n5432\n\n\n\nready\n", number, dir)
			path := filepath.Join(dir, "cluster", "postmaster.pid")
			if err := os.WriteFile(path, []byte(stale), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := other.account.own(path); err != nil {
				t.Fatal(err)
			}
			c := begin(t, dir)
			if got := text(t, c.URL(), "SELECT 'in'"); got != "in" {
				t.Errorf("answer %q", got)
			}
			if err := syscall.Kill(number, 0); err != nil {
				t.Errorf("the other program was touched: %v", err)
			}
			kept, err := os.ReadFile(filepath.Join(dir, "postmaster.pid.stale"))
			if err != nil || string(kept) != stale {
				t.Errorf("the stale file was not kept: %q, %v", kept, err)
			}
		})
	}
}

// sleeper runs a harmless program as the account.
func sleeper(t *testing.T, a account) int {
	t.Helper()
	cmd := exec.Command("sleep", "600")
	if _, _, err := a.runIn(cmd, "/"); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	return cmd.Process.Pid
}

func TestPIDFileOfADeadOrTornServer(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	for _, content := range []string{"4190000\n/elsewhere\n", "", "garbage\n"} {
		if pid, err := readPostmasterPID(dir); err == nil {
			t.Fatalf("pid %d of no file", pid)
		}
		path := filepath.Join(dir, "cluster", "postmaster.pid")
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		a, err := accountFor(filepath.Join(dir, "cluster"))
		if err != nil {
			t.Fatal(err)
		}
		if err := a.own(path); err != nil {
			t.Fatal(err)
		}
		c := begin(t, dir)
		if got := text(t, c.URL(), "SELECT 'in'"); got != "in" {
			t.Errorf("pid file %q: answer %q", content, got)
		}
		if err := c.Stop(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestPortTakenMeanwhile(t *testing.T) {
	t.Parallel()
	c := begin(t, clusterFolder(t))
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c.endpoint.port = l.Addr().(*net.TCPAddr).Port
	c.stopping = make(chan struct{})
	s := c.nextServer(0) // with the port first, then without
	if s == nil {
		t.Fatal("no server")
	}
	defer s.end(stopTimeout)
	if got := text(t, c.URL(), "SHOW listen_addresses"); got != "" {
		t.Errorf("listens at %q, want the socket only", got)
	}
}
