package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// mosquitto is a real broker with password and access files, on loopback.
type mosquitto struct {
	addr string
	dir  string
	cmd  *exec.Cmd
}

const testPassword = "only-for-tests"

// startMosquitto with a service account and one account per gateway. The limits
// are those that deploy sets: queues for an outage, a window for throughput.
func startMosquitto(t testing.TB, gateways ...string) *mosquitto {
	t.Helper()
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		if bin, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			t.Skip("mosquitto is not installed (Debian package mosquitto)")
		}
	}
	m := &mosquitto{dir: t.TempDir()}
	m.writeAccounts(t, gateways)
	for attempt := 0; ; attempt++ { // the free port may be taken between probing and binding
		if m.start(t, bin) {
			break
		}
		if attempt == 5 {
			log, _ := os.ReadFile(filepath.Join(m.dir, "log"))
			t.Fatalf("mosquitto does not start: %s", log)
		}
	}
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) path(name string) string { return filepath.Join(m.dir, name) }

func (m *mosquitto) writeAccounts(t testing.TB, gateways []string) {
	t.Helper()
	// A gateway's user name is "<property>/<gateway>", so that one pattern is the
	// whole access list.
	passwords := "underkeep:" + testPassword + "\n"
	for _, g := range gateways {
		passwords += g + ":" + testPassword + "\n"
	}
	const acl = "user underkeep\ntopic read underkeep/1/#\n\npattern write underkeep/1/%u/#\n"
	for name, content := range map[string]string{"passwords": passwords, "acl": acl} {
		if err := os.WriteFile(m.path(name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// -U replaces the plain passwords of the file by hashes.
	if out, err := exec.Command("mosquitto_passwd", "-U", m.path("passwords")).CombinedOutput(); err != nil {
		t.Skipf("mosquitto_passwd: %v: %s", err, out)
	}
}

func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return port
}

func (m *mosquitto) start(t testing.TB, bin string) bool {
	t.Helper()
	port := freePort(t)
	conf := []string{
		"listener " + port + " 127.0.0.1",
		"allow_anonymous false",
		"password_file " + m.path("passwords"),
		"acl_file " + m.path("acl"),
		"persistence true",
		"persistence_location " + m.dir + "/",
		"autosave_interval 60",
		"max_inflight_messages 1000",
		"max_queued_messages 1000000",
		"max_queued_bytes 1000000000",
		"persistent_client_expiration 14d",
		"set_tcp_nodelay true",
		"log_dest file " + m.path("log"),
		"log_type error", "log_type warning", "log_type notice",
	}
	if os.Geteuid() == 0 {
		conf = append(conf, "user root") // the files above belong to root
	}
	if err := os.WriteFile(m.path("conf"), []byte(strings.Join(conf, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m.cmd = exec.Command(bin, "-c", m.path("conf"))
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	m.addr = "127.0.0.1:" + port
	deadline := time.Now().Add(5 * time.Second)
	for time.Now().Before(deadline) {
		if c, err := net.Dial("tcp", m.addr); err == nil {
			c.Close()
			return true
		}
		time.Sleep(5 * time.Millisecond)
	}
	m.kill()
	return false
}

func (m *mosquitto) kill() {
	if m.cmd.ProcessState == nil {
		_ = m.cmd.Process.Kill()
		_ = m.cmd.Wait()
	}
}

// publisher is a gateway as a general-purpose MQTT client plays it.
func publisher(t testing.TB, addr, gateway string, change func(*mqtt.ClientOptions)) mqtt.Client {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("gateway-" + gateway)
	o.SetUsername(gateway).SetPassword(testPassword).SetCleanSession(false).SetProtocolVersion(4)
	o.SetMaxReconnectInterval(50 * time.Millisecond).SetConnectTimeout(5 * time.Second)
	if change != nil {
		change(o)
	}
	c := mqtt.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("connect %s: %v", gateway, token.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

// publish sends at QoS 1 and waits for every PUBACK.
func publish(t testing.TB, c mqtt.Client, topic string, payloads ...[]byte) {
	t.Helper()
	tokens := make([]mqtt.Token, 0, len(payloads))
	for _, p := range payloads {
		tokens = append(tokens, c.Publish(topic, 1, false, p))
	}
	for i, token := range tokens {
		if !token.WaitTimeout(20*time.Second) || token.Error() != nil {
			t.Fatalf("publish %d on %s: %v", i, topic, token.Error())
		}
	}
}

func ones(from, to int) [][]byte {
	var out [][]byte
	for i := from; i < to; i++ {
		out = append(out, one(-i, 50))
	}
	return out
}

type runningSubscriber struct {
	*Subscriber
	stop func()
}

// subscribe runs a subscriber until stop or the end of the test.
func subscribe(t testing.TB, m *mosquitto, d *Door, change func(*SubscriberConfig)) *runningSubscriber {
	t.Helper()
	cfg := SubscriberConfig{
		URL: fmt.Sprintf("mqtt://underkeep:%s@%s", testPassword, m.addr), ClientID: "underkeep-test", Door: d,
		RetryFirst: 5 * time.Millisecond, RetryMost: 50 * time.Millisecond, Log: slog.New(slog.NewTextHandler(t.Output(), nil)),
	}
	if change != nil {
		change(&cfg)
	}
	s, err := NewSubscriber(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.Run(ctx)
	}()
	stop := func() {
		cancel()
		<-ended
	}
	t.Cleanup(stop)
	eventually(t, "subscribed", s.Connected)
	return &runningSubscriber{s, stop}
}
