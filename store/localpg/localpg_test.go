package localpg

import (
	"context"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
)

func TestStartMakesADurableClusterAndKeepsItsData(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(openFolder(t), "below", "data") // made with all it needs
	c := begin(t, dir)
	for query, want := range map[string]string{
		"SHOW fsync":                      "on",
		"SHOW synchronous_commit":         "on",
		"SHOW full_page_writes":           "on",
		"SHOW data_checksums":             "on",
		"SHOW server_encoding":            "UTF8",
		"SHOW timezone":                   "UTC",
		"SHOW listen_addresses":           "127.0.0.1",
		"SELECT current_user::text":       "underkeep",
		"SELECT current_database()::text": "underkeep",
		"SELECT rolsuper::text FROM pg_roles WHERE rolname = current_user":                "false",
		"SELECT datcollate::text FROM pg_database WHERE datname = current_database()":     "C.UTF-8",
		"SELECT split_part(rolpassword, '$', 1) FROM pg_authid WHERE rolname='underkeep'": "SCRAM-SHA-256",
	} {
		from := c.URL()
		if strings.Contains(query, "pg_authid") {
			from = c.SuperuserURL(database)
		}
		if got := text(t, from, query); got != want {
			t.Errorf("%s: %q, want %q", query, got, want)
		}
	}
	execute(t, c.URL(), "CREATE TABLE kept AS SELECT 'seven'::text AS word")
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	again := begin(t, dir)
	if got := text(t, again.URL(), "SELECT word FROM kept"); got != "seven" {
		t.Errorf("after a restart the row reads %q", got)
	}
}

func TestNobodyElseGetsIn(t *testing.T) {
	t.Parallel()
	c := begin(t, clusterFolder(t))
	for path, want := range map[string]os.FileMode{
		c.secretsPath(): 0o600, c.lockPath(): 0o600, c.pgdata(): 0o700, c.endpoint.socketDir: 0o700,
	} {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %v, want %v", path, got, want)
		}
	}
	tcp := endpoint{port: c.endpoint.port}
	for _, e := range []endpoint{c.endpoint, tcp} {
		for _, role := range []string{serviceRole, superuser} {
			_, err := pgx.Connect(t.Context(), e.url(role, "guess", database))
			if err == nil || !strings.Contains(err.Error(), "28P01") {
				t.Errorf("%s with a wrong password at %+v: %v, want 28P01", role, e, err)
			}
		}
	}
	if got := text(t, tcp.url(serviceRole, c.secrets.service, database), "SELECT 'in'"); got != "in" {
		t.Errorf("over loopback: %q", got)
	}
}

func TestURLSurvivesOddFolderNames(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"with space", "com,ma 'quote\"", "ünïcode", strings.Repeat("long-", 30)} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(openFolder(t), name)
			if err := os.Rename(clusterFolder(t), dir); err != nil {
				t.Fatal(err)
			}
			c := begin(t, dir)
			if _, err := url.Parse(c.URL()); err != nil {
				t.Error(err)
			}
			if got := text(t, c.URL(), "SELECT 'in'"); got != "in" {
				t.Errorf("answer %q", got)
			}
			socketDir := c.endpoint.socketDir
			if err := c.Stop(); err != nil {
				t.Fatal(err)
			}
			if _, err := os.Stat(socketDir); err == nil && !strings.HasPrefix(socketDir, dir) {
				t.Errorf("%s was left behind", socketDir)
			}
		})
	}
}

func TestSettings(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	if err := os.WriteFile(filepath.Join(dir, "local.conf"), []byte("work_mem = '3MB'\nfsync = off\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := Start(t.Context(), Options{DataDir: dir, Settings: map[string]string{
		"synchronous_commit": "off", "application_name": "it's"}})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Stop()
	for name, want := range map[string]string{"work_mem": "3MB", "fsync": "on", "synchronous_commit": "on"} {
		if got := text(t, c.URL(), "SHOW "+name); got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
}

func TestThrowawayAndDurableDoNotMix(t *testing.T) {
	t.Parallel()
	_, err := Start(t.Context(), Options{DataDir: clusterFolder(t), Throwaway: true})
	if err == nil || !strings.Contains(err.Error(), "throw-away") {
		t.Errorf("a durable cluster was started as a throw-away one: %v", err)
	}
}

func TestUnfinishedClusterIsMadeAnew(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(openFolder(t), "data")
	if err := os.MkdirAll(filepath.Join(dir, "cluster.new", "base"), 0o700); err != nil {
		t.Fatal(err)
	}
	c := begin(t, dir)
	if got := text(t, c.URL(), "SELECT 'in'"); got != "in" {
		t.Errorf("answer %q", got)
	}
}

func TestLostPasswordsAreReplaced(t *testing.T) {
	t.Parallel()
	dir := clusterFolder(t)
	before, err := readSecrets(filepath.Join(dir, "pgpass"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "pgpass")); err != nil {
		t.Fatal(err)
	}
	c := begin(t, dir)
	if c.secrets == before || text(t, c.URL(), "SELECT 'in'") != "in" {
		t.Error("no new passwords")
	}
	if after, err := readSecrets(c.secretsPath()); err != nil || after != c.secrets {
		t.Errorf("the new passwords were not kept: %v", err)
	}
}

func TestStartGivesUpWithItsContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := clusterFolder(t)
	if _, err := Start(ctx, Options{DataDir: dir}); err == nil {
		t.Fatal("started under a cancelled context")
	}
	if _, err := os.Stat(filepath.Join(dir, "cluster", "postmaster.pid")); err == nil {
		t.Error("a server was left behind")
	}
	begin(t, dir) // nothing is held
}

func TestServerLeavesTheTerminalAlone(t *testing.T) {
	t.Parallel()
	c := begin(t, clusterFolder(t))
	group, err := syscall.Getpgid(c.PID())
	if err != nil {
		t.Fatal(err)
	}
	if group == syscall.Getpgrp() {
		t.Error("the server is in the service's process group: Ctrl-C would stop it first")
	}
	owner, _, err := ownerOf("/proc/" + strconv.Itoa(c.PID()))
	if err != nil || owner == 0 || owner != c.account.uid {
		t.Errorf("the server runs as user %d (%v), want %d and never root", owner, err, c.account.uid)
	}
}
