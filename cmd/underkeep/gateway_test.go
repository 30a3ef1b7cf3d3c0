package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
)

// exportRig is a real Mosquitto on the files that "gateway export" writes, beside
// a database. Whether a hash is right and a list means what it should is for
// Mosquitto to say.
type exportRig struct {
	t    *testing.T
	url  string
	dir  string
	addr string
	got  chan string // topics that arrive at the service's account
}

func migrateStore(ctx context.Context, url string) error {
	st, err := store.Open(ctx, url, store.Options{})
	if err != nil {
		return err
	}
	defer st.Close()
	return st.Migrate(ctx)
}

func newExportRig(t *testing.T) *exportRig {
	t.Helper()
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		if bin, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			t.Skip("mosquitto is not installed (Debian package mosquitto)")
		}
	}
	g := &exportRig{t: t, url: pgtest.New(t, migrateStore), dir: t.TempDir(), addr: freeAddr(t), got: make(chan string, 100)}
	g.write("passwords", "underkeep:service-password\n")
	if out, err := exec.Command("mosquitto_passwd", "-U", g.path("passwords")).CombinedOutput(); err != nil {
		t.Skipf("mosquitto_passwd: %v: %s", err, out)
	}
	g.registerCottages("heron-07", "rail-06")
	g.gateway("export", g.dir) // before the broker starts: there must be an access list
	g.startBroker(bin)
	return g
}

func (g *exportRig) path(name string) string { return filepath.Join(g.dir, name) }

func (g *exportRig) write(name, content string) {
	g.t.Helper()
	if err := os.WriteFile(g.path(name), []byte(content), 0o600); err != nil {
		g.t.Fatal(err)
	}
}

func (g *exportRig) registerCottages(names ...string) {
	g.t.Helper()
	st, err := store.Open(g.t.Context(), g.url, store.Options{})
	if err != nil {
		g.t.Fatal(err)
	}
	defer st.Close()
	for _, name := range names {
		file := strings.Replace(sealedCottage, "heron-07", name, 1)
		if _, err := st.RegisterFile(g.t.Context(), []byte(file), name+".yaml", "test"); err != nil {
			g.t.Fatal(err)
		}
	}
}

func (g *exportRig) startBroker(bin string) {
	g.t.Helper()
	_, port, _ := net.SplitHostPort(g.addr)
	conf := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous false\npassword_file %s\nacl_file %s\npid_file %s\nlog_dest file %s\n",
		port, g.path("passwords"), g.path("acl"), g.path("pid"), g.path("log"))
	if os.Geteuid() == 0 {
		conf += "user root\n" // the files above belong to root
	}
	g.write("conf", conf)
	cmd := exec.Command(bin, "-c", g.path("conf"))
	if err := cmd.Start(); err != nil {
		g.t.Fatal(err)
	}
	g.t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	var service mqtt.Client
	g.eventually("the service's own account is let in, as before the export", func() bool {
		var err error
		service, err = g.connect("underkeep", "service-password", nil)
		return err == nil
	})
	token := service.Subscribe("underkeep/1/#", 1, func(_ mqtt.Client, m mqtt.Message) { g.got <- m.Topic() })
	if !token.WaitTimeout(20*time.Second) || token.Error() != nil {
		g.t.Fatal("subscribe:", token.Error())
	}
}

// gateway runs the command as an operator does.
func (g *exportRig) gateway(args ...string) string {
	g.t.Helper()
	var out, errs bytes.Buffer
	if code := runGateway(g.t.Context(), append(args, "--database-url", g.url), &out, &errs); code != exitOK {
		g.t.Fatalf("gateway %v: exit code %d: %s", args, code, errs.Bytes())
	}
	return out.String()
}

// reload exports and has the broker read the files.
func (g *exportRig) reload() { g.gateway("export", g.dir, "--pid-file", g.path("pid")) }

// credentials out of what the command prints.
func credentials(printed string) (user, password string) {
	for line := range strings.Lines(printed) {
		if v, ok := strings.CutPrefix(line, "username: "); ok {
			user = strings.TrimSpace(v)
		}
		if v, ok := strings.CutPrefix(line, "password: "); ok {
			password = strings.TrimSpace(v)
		}
	}
	return user, password
}

// connect as a general-purpose MQTT client; lost is told when the connection ends.
func (g *exportRig) connect(user, password string, lost chan<- error) (mqtt.Client, error) {
	o := mqtt.NewClientOptions().AddBroker("tcp://" + g.addr).SetClientID(strings.ReplaceAll(user, "/", "-"))
	o.SetUsername(user).SetPassword(password).SetAutoReconnect(false).SetConnectTimeout(10 * time.Second)
	if lost != nil {
		o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err })
	}
	c := mqtt.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(20 * time.Second) {
		return nil, fmt.Errorf("connect %s: no answer", user)
	}
	if token.Error() == nil {
		g.t.Cleanup(func() { c.Disconnect(0) })
	}
	return c, token.Error()
}

func (g *exportRig) letIn(user, password string, lost chan<- error) (c mqtt.Client) {
	g.t.Helper()
	g.eventually(user+" is let in", func() bool {
		var err error
		c, err = g.connect(user, password, lost)
		return err == nil
	})
	return c
}

func (g *exportRig) refused(user, password string) {
	g.t.Helper()
	g.eventually(user+" is refused", func() bool {
		c, err := g.connect(user, password, nil)
		if err == nil {
			c.Disconnect(0)
			return false
		}
		return strings.Contains(strings.ToLower(err.Error()), "not auth")
	})
}

// arrives publishes on each topic in turn and expects that only want comes
// through: it is the last, so whatever else came through would come before it.
func (g *exportRig) arrives(c mqtt.Client, want string, foreign ...string) {
	g.t.Helper()
	for _, topic := range append(foreign, want) {
		if token := c.Publish(topic, 1, false, "[]"); !token.WaitTimeout(20*time.Second) || token.Error() != nil {
			g.t.Fatalf("publish on %s: %v", topic, token.Error())
		}
	}
	select {
	case got := <-g.got:
		if got != want {
			g.t.Errorf("arrived on %s, which the gateway may not write", got)
		}
	case <-time.After(20 * time.Second):
		g.t.Errorf("nothing arrived on %s", want)
	}
}

func (g *exportRig) eventually(what string, f func() bool) {
	g.t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !f(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			log, _ := os.ReadFile(g.path("log"))
			g.t.Fatalf("not within 30 s: %s\n%s", what, log)
		}
	}
}

func TestMosquittoTakesTheExportedAccounts(t *testing.T) {
	t.Parallel()
	g := newExportRig(t)
	const own = "underkeep/1/heron-07/main/readings"
	foreign := []string{"underkeep/1/rail-06/main/readings", "underkeep/1/heron-07/other/readings", "underkeep/1/heron-07/main~2/readings"}
	user, first := credentials(g.gateway("add", "heron-07", "main"))
	g.refused(user, first) // not exported yet
	g.reload()
	g.arrives(g.letIn(user, first, nil), own, foreign...)
	g.refused(user, first+"x")

	second, rotated := credentials(g.gateway("rotate", "heron-07", "main"))
	if second == user {
		t.Fatalf("both passwords belong to %s, and a password file holds one", user)
	}
	g.reload()
	lost := make(chan error, 1)
	g.arrives(g.letIn(second, rotated, lost), own, foreign[:2]...)
	g.arrives(g.letIn(user, first, nil), own) // the old one works on

	g.gateway("revoke", "heron-07", "main")
	g.reload()
	g.refused(user, first)
	g.refused(second, rotated)
	select {
	case <-lost:
	case <-time.After(20 * time.Second):
		t.Error("the connection of a revoked gateway goes on")
	}
	if c, err := g.connect("underkeep", "service-password", nil); err != nil {
		t.Errorf("the service's own account: %v", err)
	} else {
		c.Disconnect(0)
	}
}

func TestWithoutOverlapTheOldPasswordIsNotExported(t *testing.T) {
	t.Parallel()
	g := newExportRig(t)
	user, first := credentials(g.gateway("add", "rail-06", "main"))
	second, rotated := credentials(g.gateway("rotate", "rail-06", "main", "--overlap", "0s"))
	g.reload()
	g.arrives(g.letIn(second, rotated, nil), "underkeep/1/rail-06/main/readings")
	g.refused(user, first)
}
