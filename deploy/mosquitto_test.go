package deploy_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// settings reads "name value" lines.
func settings(t *testing.T, path string) map[string]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	found := map[string]string{}
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if name, value, ok := strings.Cut(strings.TrimSpace(lines.Text()), " "); ok && name != "#" {
			found[name] = value
		}
	}
	return found
}

// TestMosquittoLimits: mosquitto.conf(5) of 2.0.11 gives the defaults that would
// lose messages: max_queued_messages 1000, max_inflight_messages 20, persistence
// false, no expiration of sessions.
func TestMosquittoLimits(t *testing.T) {
	t.Parallel()
	conf := settings(t, "mosquitto/mosquitto.conf")
	for name, least := range map[string]int{
		"max_queued_messages": 100_000, "max_queued_bytes": 100 << 20, "max_inflight_messages": 200, "message_size_limit": 1 << 20,
	} {
		if n, err := strconv.Atoi(conf[name]); err != nil || n < least {
			t.Errorf("%s is %q, want at least %d and no 0 for unlimited", name, conf[name], least)
		}
	}
	// More in flight than the subscriber's window would block its keep-alive.
	if n, err := strconv.Atoi(conf["max_inflight_messages"]); err != nil || n > 4096 {
		t.Errorf("max_inflight_messages is %q, more than the subscriber holds", conf["max_inflight_messages"])
	}
	for name, want := range map[string]string{"persistence": "true", "allow_anonymous": "false", "persistent_client_expiration": "14d"} {
		if conf[name] != want {
			t.Errorf("%s is %q, want %q", name, conf[name], want)
		}
	}
}

// broker is a real Mosquitto with the files of this folder, paths substituted.
type broker struct {
	dir string
	url string
	pid int
}

func startBroker(t *testing.T, passwords map[string]string) *broker {
	t.Helper()
	program := "mosquitto"
	if _, err := exec.LookPath(program); err != nil {
		program = "/usr/sbin/mosquitto" // not on an ordinary user's PATH
	}
	b := &broker{dir: t.TempDir()}
	port := freePort(t)
	b.url = "tcp://127.0.0.1:" + port
	conf, err := os.ReadFile("mosquitto/mosquitto.conf")
	if err != nil {
		t.Fatal(err)
	}
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.NewReplacer("listener 1883", "listener "+port+" 127.0.0.1",
		"/mosquitto/config/", b.dir+"/", "/mosquitto/data/", b.dir+"/").Replace(string(conf))
	b.write(t, "mosquitto.conf", text+"\nuser "+me.Username+"\n")
	acl, err := os.ReadFile("mosquitto/acl")
	if err != nil {
		t.Fatal(err)
	}
	b.write(t, "acl", string(acl))
	for name, password := range passwords {
		b.setPassword(t, name, password)
	}
	cmd := exec.Command(program, "-c", filepath.Join(b.dir, "mosquitto.conf"))
	log, err := os.Create(filepath.Join(b.dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatalf("%v: install the Debian package mosquitto", err)
	}
	b.pid = cmd.Process.Pid
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if text, _ := os.ReadFile(log.Name()); t.Failed() {
			t.Logf("mosquitto:\n%s", text)
		}
	})
	until(t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return b
}

func (b *broker) write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(b.dir, name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// setPassword does it the way an operator would.
func (b *broker) setPassword(t *testing.T, name, password string) {
	t.Helper()
	args := []string{"mosquitto/add-user.sh", filepath.Join(b.dir, "passwords"), name}
	if b.pid != 0 {
		args = append(args, strconv.Itoa(b.pid))
	}
	cmd := exec.Command("bash", args...)
	cmd.Stdin = strings.NewReader(password + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("add-user.sh: %v: %s", err, out)
	}
}

// connect returns a client, or the error with which the broker refused it.
func (b *broker) connect(t *testing.T, name, password string) (mqtt.Client, error) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.url).SetClientID(t.Name() + name).
		SetUsername(name).SetPassword(password).SetAutoReconnect(false).SetConnectRetry(false))
	token := c.Connect()
	if !token.WaitTimeout(30 * time.Second) {
		t.Fatal("no answer from mosquitto")
	}
	if token.Error() == nil {
		t.Cleanup(func() { c.Disconnect(50) })
	}
	return c, token.Error()
}

func (b *broker) mustConnect(t *testing.T, name, password string) mqtt.Client {
	t.Helper()
	c, err := b.connect(t, name, password)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return c
}

func done(t *testing.T, what string, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(30*time.Second) || token.Error() != nil {
		t.Fatalf("%s: %v", what, token.Error())
	}
}

func TestMosquittoLetsEachGatewaySpeakForItselfOnly(t *testing.T) {
	t.Parallel()
	// Mosquitto refuses client ids with + or #, so the names are plain.
	for name, filter := range map[string]string{"alone": "underkeep/1/#", "shared": "$share/ingest/underkeep/1/#"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			checkAccess(t, filter)
		})
	}
}

func checkAccess(t *testing.T, filter string) {
	t.Helper()
	b := startBroker(t, map[string]string{"underkeep": "s", "heron-07/gw1": "g", "egret-02/gw1": "h"})
	heard := make(chan string, 100)
	note := func(_ mqtt.Client, m mqtt.Message) { heard <- m.Topic() }
	done(t, "subscribing", b.mustConnect(t, "underkeep", "s").Subscribe(filter, 1, note))
	gateway := b.mustConnect(t, "heron-07/gw1", "g")
	// A gateway that listens hears nothing, though its subscription is granted.
	done(t, "subscribing", gateway.Subscribe("underkeep/1/#", 1, func(_ mqtt.Client, m mqtt.Message) {
		heard <- "gateway heard " + m.Topic()
	}))
	for _, topic := range []string{
		"underkeep/1/egret-02/gw1/readings", "underkeep/1/heron-07/gw2/readings", "underkeep/1/heron-07/gw1/other",
		"underkeep/1/heron-07/gw1/readings/x", "$SYS/broker/x", "elsewhere",
		"underkeep/1/heron-07/gw1/readings", "underkeep/1/heron-07/gw1/presence",
	} {
		done(t, topic, gateway.Publish(topic, 1, false, "[]")) // refused or not, it is acknowledged
	}
	last := "underkeep/1/egret-02/gw1/presence"
	done(t, last, b.mustConnect(t, "egret-02/gw1", "h").Publish(last, 1, false, "[]"))
	count := map[string]int{}
	for count[last] == 0 { // what came before it has arrived by then
		select {
		case topic := <-heard:
			count[topic]++
		case <-time.After(30 * time.Second):
			t.Fatalf("heard only %v", count)
		}
	}
	want := map[string]int{"underkeep/1/heron-07/gw1/readings": 1, "underkeep/1/heron-07/gw1/presence": 1, last: 1,
		// Misspelt, but its own: it goes through, into quarantine.
		"underkeep/1/heron-07/gw1/other": 1, "underkeep/1/heron-07/gw1/readings/x": 1}
	if fmt.Sprint(count) != fmt.Sprint(want) {
		t.Errorf("heard %v, want %v", count, want)
	}
}

func TestMosquittoKnowsItsUsers(t *testing.T) {
	t.Parallel()
	b := startBroker(t, map[string]string{"underkeep": "s", "heron-07/gw1": "g"})
	for _, c := range []struct{ name, password string }{{"", ""}, {"underkeep", "g"}, {"heron-07/gw1", ""}, {"stranger", "s"}} {
		if _, err := b.connect(t, c.name, c.password); err == nil {
			t.Errorf("%q with password %q was let in", c.name, c.password)
		}
	}
	b.setPassword(t, "heron-07/gw1", "new")
	until(t, "the new password works", func() bool { _, err := b.connect(t, "heron-07/gw1", "new"); return err == nil })
	if _, err := b.connect(t, "heron-07/gw1", "g"); err == nil {
		t.Error("the old password still works")
	}
	b.mustConnect(t, "underkeep", "s")
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return strconv.Itoa(l.Addr().(*net.TCPAddr).Port)
}

func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-ctx.Done():
			t.Fatalf("waited in vain until %s", what)
		case <-tick.C:
		}
	}
}
