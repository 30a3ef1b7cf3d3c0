package localpg

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

func TestOpenBesideAService(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	s := startService(t, dir) // Open must wait until it is ready
	c, err := Open(t.Context(), Options{DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if c.attached { // else the command was first, and the service waits for it
		s.hear(t, 1)
	}
	if got := text(t, c.URL(), "SELECT 'in'"); got != "in" {
		t.Errorf("answer %q", got)
	}
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	if len(s.hear(t, 5)) != 5 {
		t.Error("the service was disturbed")
	}
	c, err = Open(t.Context(), Options{DataDir: dir})
	if err != nil || !c.attached {
		t.Fatalf("beside a running service: %v", err)
	}
}

func TestOpenByItself(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	c, err := Open(t.Context(), Options{DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	holder, kind := readHolder(c.lockPath())
	if holder != strconv.Itoa(os.Getpid()) || kind != holderCommand {
		t.Errorf("the lock names %s %s", holder, kind)
	}
	service := make(chan error, 1)
	go func() { // waits for the command instead of failing
		s, err := Start(t.Context(), Options{DataDir: dir})
		if err == nil {
			err = s.Stop()
		}
		service <- err
	}()
	if got := text(t, c.URL(), "SELECT 'in'"); got != "in" {
		t.Errorf("answer %q", got)
	}
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	if err := <-service; err != nil {
		t.Error(err)
	}
}

func TestOpenOverLoopback(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	c := begin(t, dir)
	if err := os.Rename(c.endpoint.socketDir, c.endpoint.socketDir+".hidden"); err != nil {
		t.Fatal(err)
	}
	beside, err := Open(t.Context(), Options{DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(beside.URL(), "127.0.0.1") || text(t, beside.URL(), "SELECT 'in'") != "in" {
		t.Errorf("connected by %s", beside.URL())
	}
	if err := os.Rename(c.endpoint.socketDir+".hidden", c.endpoint.socketDir); err != nil {
		t.Fatal(err)
	}
}
