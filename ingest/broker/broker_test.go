package broker

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http/httptest"
	"net/url"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/prometheus/client_golang/prometheus"

	"underkeep/ingest"
)

// inbox is a Deliverer under the test's control.
type inbox struct {
	mu       sync.Mutex
	messages []string // topic, space, payload (at most 40 bytes of it)
	err      error
	gate     chan struct{} // when set, each message takes from it first
}

func (in *inbox) Deliver(ctx context.Context, topic string, payload []byte, _ time.Time) error {
	in.mu.Lock()
	gate, err := in.gate, in.err
	in.mu.Unlock()
	if gate != nil {
		select {
		case <-gate:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if err != nil {
		return err
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.messages = append(in.messages, topic+" "+string(payload[:min(len(payload), 40)]))
	return nil
}

func (in *inbox) got() []string {
	in.mu.Lock()
	defer in.mu.Unlock()
	return append([]string(nil), in.messages...)
}

func (in *inbox) set(f func()) {
	in.mu.Lock()
	defer in.mu.Unlock()
	f()
}

func (in *inbox) has(message string) bool {
	for _, m := range in.got() {
		if m == message {
			return true
		}
	}
	return false
}

// checkGateway knows gateways "<property>/<gateway>" with the password "right".
func checkGateway(username, password string) (string, string, bool) {
	p, g, ok := strings.Cut(username, "/")
	return p, g, ok && password == "right" && ingest.ValidName(p) && ingest.ValidName(g)
}

type fixture struct {
	*Broker
	in  *inbox
	reg *prometheus.Registry
}

func start(t testing.TB, change func(*Config)) *fixture {
	t.Helper()
	f := &fixture{in: &inbox{}, reg: prometheus.NewPedanticRegistry()}
	cfg := Config{Listen: "127.0.0.1:0", Deliverer: f.in, CheckGateway: checkGateway, Penalty: -1, Metrics: f.reg, Log: slog.New(slog.DiscardHandler)}
	if change != nil {
		change(&cfg)
	}
	b, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	f.Broker = b
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		b.Stop(ctx)
	})
	return f
}

// refused reads the broker's own count.
func (f *fixture) refused(t testing.TB, reason string) int {
	t.Helper()
	families, err := f.reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, mf := range families {
		for _, m := range mf.GetMetric() {
			if mf.GetName() == "underkeep_broker_refused_total" && m.GetLabel()[0].GetValue() == reason {
				return int(m.GetCounter().GetValue())
			}
		}
	}
	t.Fatalf("no count for %s", reason)
	return 0
}

func options(f *fixture, gateway string) *paho.ClientOptions {
	o := paho.NewClientOptions().AddBroker("tcp://" + f.Addr().String()).SetClientID("gateway")
	o.SetUsername(gateway).SetPassword("right").SetProtocolVersion(4).SetCleanSession(false)
	o.SetMaxReconnectInterval(20 * time.Millisecond).SetConnectTimeout(5 * time.Second)
	return o
}

func connect(t testing.TB, o *paho.ClientOptions) paho.Client {
	t.Helper()
	c := paho.NewClient(o)
	if err := wait(c.Connect()); err != nil {
		t.Fatalf("connect: %v", err)
	}
	t.Cleanup(func() { c.Disconnect(20) })
	return c
}

func wait(token paho.Token) error {
	if !token.WaitTimeout(15 * time.Second) {
		return errors.New("timed out")
	}
	return token.Error()
}

func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("timed out: %s", what)
		}
	}
}

const topic = "underkeep/1/heron-07/gw1/readings"

func TestPubackComesAfterTheCommit(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	gate := make(chan struct{})
	f.in.set(func() { f.in.gate = gate })
	c := connect(t, options(f, "heron-07/gw1"))
	token := c.Publish(topic, 1, false, "a")
	select {
	case <-token.Done():
		t.Fatal("acknowledged before the commit")
	case <-time.After(100 * time.Millisecond):
	}
	gate <- struct{}{}
	if err := wait(token); err != nil || !f.in.has(topic+" a") {
		t.Errorf("%v, %v", err, f.in.got())
	}
}

func TestQoS2AndQoS0AreStoredToo(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	c := connect(t, options(f, "heron-07/gw1"))
	for qos := range byte(3) {
		if err := wait(c.Publish(topic, qos, false, fmt.Sprint(qos))); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "three messages", func() bool { return len(f.in.got()) == 3 })
}

// On failure nothing is acknowledged and the connection ends: seen on the wire,
// since client libraries report a publish as done across a reconnect.
func TestFailureIsNotAcknowledged(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	f.in.set(func() { f.in.err = errors.New("database is away") })
	for qos := byte(1); qos <= 2; qos++ {
		conn, err := net.Dial("tcp", f.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
		hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
		hello.ProtocolName, hello.ProtocolVersion, hello.ClientIdentifier, hello.Keepalive = "MQTT", 4, "raw", 30
		hello.UsernameFlag, hello.Username, hello.PasswordFlag, hello.Password = true, "heron-07/gw1", true, []byte("right")
		hello.CleanSession = true
		pub := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		pub.Qos, pub.MessageID, pub.TopicName, pub.Payload = qos, 7, topic, []byte("a")
		if err := errors.Join(hello.Write(conn), pub.Write(conn)); err != nil {
			t.Fatal(err)
		}
		if p, err := packets.ReadPacket(conn); err != nil || p.(*packets.ConnackPacket).ReturnCode != 0 {
			t.Fatalf("connect: %v, %v", p, err)
		}
		if p, err := packets.ReadPacket(conn); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("QoS %d: got %v, %v; want the end of the connection", qos, p, err)
		}
	}
	if n := f.refused(t, refusedNotStored); n != 2 {
		t.Errorf("%d counted", n)
	}
}

func TestFailureMakesTheClientSendAgain(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	f.in.set(func() { f.in.err = errors.New("database is away") })
	var lost atomic.Int32
	o := options(f, "heron-07/gw1")
	o.SetConnectionLostHandler(func(paho.Client, error) { lost.Add(1) })
	c := connect(t, o)
	c.Publish(topic, 1, false, "a")
	eventually(t, "disconnected twice", func() bool { return lost.Load() >= 2 })
	f.in.set(func() { f.in.err = nil })
	eventually(t, "stored", func() bool { return f.in.has(topic + " a") })
}

func TestACommitThatTakesTooLongIsRejected(t *testing.T) {
	t.Parallel()
	f := start(t, func(c *Config) { c.DeliverTimeout = 50 * time.Millisecond })
	gate := make(chan struct{})
	f.in.set(func() { f.in.gate = gate })
	c := connect(t, options(f, "heron-07/gw1"))
	c.Publish(topic, 1, false, "a")
	eventually(t, "rejected", func() bool { return f.refused(t, refusedNotStored) >= 2 })
	close(gate)
	eventually(t, "stored", func() bool { return f.in.has(topic + " a") })
}

func TestShortKeepAliveShortensTheWait(t *testing.T) {
	t.Parallel()
	f := start(t, func(c *Config) { c.DeliverTimeout = time.Hour })
	gate := make(chan struct{})
	f.in.set(func() { f.in.gate = gate })
	c := connect(t, options(f, "heron-07/gw1").SetKeepAlive(time.Second))
	began := time.Now()
	c.Publish(topic, 1, false, "a")
	eventually(t, "rejected", func() bool { return f.refused(t, refusedNotStored) >= 1 })
	if took := time.Since(began); took < 700*time.Millisecond || took > 5*time.Second {
		t.Errorf("rejected after %v, want three quarters of a second", took)
	}
	close(gate)
	eventually(t, "stored", func() bool { return f.in.has(topic + " a") })
}

// Each gateway under its own name, on MQTT 3.1.1 and 3.1; the count is exact.
func TestForeignTopicsAreRefusedAndCounted(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	foreign := []string{
		"underkeep/1/egret-01/gw1/readings", "underkeep/1/heron-07/gw2/readings", "underkeep/1/heron-07/gw11/readings",
		"underkeep/1/heron-07/gw1", "underkeep/2/heron-07/gw1/readings", "elsewhere", "$SYS/broker/version",
		"underkeep/1/heron-07/gw1/", // no name behind it
	}
	for i, topic := range foreign {
		o := options(f, "heron-07/gw1").SetAutoReconnect(false).SetClientID(fmt.Sprint("c", i))
		var lost atomic.Bool
		o.SetConnectionLostHandler(func(paho.Client, error) { lost.Store(true) })
		c := connect(t, o)
		token := c.Publish(topic, 1, false, "x")
		if i == 6 { // topics under $ are not the client's to publish on; the server drops them unheard
			continue
		}
		eventually(t, topic+": disconnected", lost.Load)
		if token.WaitTimeout(0) && token.Error() == nil {
			t.Errorf("%s was acknowledged", topic)
		}
	}
	if got := f.in.got(); len(got) != 0 {
		t.Errorf("stored: %v", got)
	}
	if n := f.refused(t, refusedTopic); n != len(foreign)-1 {
		t.Errorf("%d counted, want %d", n, len(foreign)-1)
	}
}

// Under the gateway's own name a topic outside the contract is stored, so that
// the misspelling shows in quarantine.
func TestMisspeltTopicsReachTheDoor(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	c := connect(t, options(f, "heron-07/gw1"))
	if err := wait(c.Publish("underkeep/1/heron-07/gw1/reading", 1, false, "x")); err != nil || len(f.in.got()) != 1 {
		t.Errorf("%v, %v", err, f.in.got())
	}
}

func TestNobodySubscribes(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	c := connect(t, options(f, "heron-07/gw1"))
	for _, filter := range []string{"#", topic, "underkeep/1/heron-07/gw1/#", "$SYS/#", "$share/g/underkeep/#"} {
		token := c.Subscribe(filter, 1, func(paho.Client, paho.Message) { t.Errorf("%s delivered something", filter) })
		if err := wait(token); err == nil {
			for _, code := range token.(*paho.SubscribeToken).Result() {
				if code != 0x80 {
					t.Errorf("%s granted with %#x", filter, code)
				}
			}
		}
	}
	if err := wait(c.Publish(topic, 1, false, "x")); err != nil {
		t.Error(err)
	}
	if n := f.refused(t, refusedSubscribe); n < 4 {
		t.Errorf("%d counted", n)
	}
}

func TestWrongCredentialsAreRefused(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	for _, change := range []func(*paho.ClientOptions){
		func(o *paho.ClientOptions) { o.SetPassword("wrong") },
		func(o *paho.ClientOptions) { o.SetUsername("heron-07") },
		func(o *paho.ClientOptions) { o.SetUsername("").SetPassword("") },
		func(o *paho.ClientOptions) { o.SetUsername("heron-07/gw/1") },
	} {
		o := options(f, "heron-07/gw1")
		change(o)
		if err := wait(paho.NewClient(o).Connect()); err == nil {
			t.Errorf("%s let in", o.Username)
		}
	}
	if n := f.refused(t, refusedCredentials); n != 4 {
		t.Errorf("%d counted", n)
	}
}

// Two gateways with the same client id must not throw each other out.
func TestClientIDsAreEachGatewaysOwn(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	var lost atomic.Int32
	var clients []paho.Client
	for _, g := range []string{"heron-07/gw1", "egret-01/gw1", "heron-07/gw2"} {
		o := options(f, g).SetAutoReconnect(false)
		o.SetConnectionLostHandler(func(paho.Client, error) { lost.Add(1) })
		clients = append(clients, connect(t, o))
	}
	for i, g := range []string{"heron-07/gw1", "egret-01/gw1", "heron-07/gw2"} {
		if err := wait(clients[i].Publish("underkeep/1/"+g+"/readings", 1, false, "x")); err != nil {
			t.Errorf("%s: %v", g, err)
		}
	}
	if lost.Load() != 0 || f.Clients() != 3 {
		t.Errorf("%d lost, %d connected", lost.Load(), f.Clients())
	}
}

const presence = "underkeep/1/heron-07/gw1/presence"

func TestPresenceIsRetainedAndReadingsAreNot(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	c := connect(t, options(f, "heron-07/gw1"))
	for _, m := range [][2]string{{presence, "online"}, {topic, "[]"}, {presence + "s", "x"}} {
		if err := wait(c.Publish(m[0], 1, true, m[1])); err != nil {
			t.Fatal(err)
		}
	}
	if kept := f.server.Topics.Messages("underkeep/#"); len(kept) != 1 || kept[0].TopicName != presence || string(kept[0].Payload) != "online" {
		t.Errorf("retained: %v", kept)
	}
}

// droppedConn ends as if the other side had closed it; of a connection closed on
// this side the client library takes no notice until its next ping.
type droppedConn struct{ net.Conn }

func (c droppedConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if err != nil {
		err = io.EOF
	}
	return n, err
}

// dropOnClose lets the client leave without a goodbye.
func dropOnClose(f *fixture, o *paho.ClientOptions) (cut func()) {
	var mu sync.Mutex
	var conn net.Conn
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		c, err := net.Dial("tcp", f.Addr().String())
		mu.Lock()
		conn = c
		mu.Unlock()
		return droppedConn{c}, err
	})
	return func() {
		mu.Lock()
		defer mu.Unlock()
		conn.Close()
	}
}

func TestAWillIsStored(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	o := options(f, "heron-07/gw1").SetAutoReconnect(false).SetWill(presence, "offline", 1, true)
	cut := dropOnClose(f, o)
	connect(t, o)
	cut()
	eventually(t, "offline", func() bool { return f.in.has(presence + " offline") })
	eventually(t, "retained", func() bool {
		kept := f.server.Topics.Messages(presence)
		return len(kept) == 1 && string(kept[0].Payload) == "offline"
	})
}

func TestAWillIsBeliedByTheNextConnection(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	o := options(f, "heron-07/gw1").SetWill(presence, "offline", 1, true)
	cut := dropOnClose(f, o)
	c := connect(t, o)
	if err := wait(c.Publish(topic, 1, false, "up")); err != nil { // the client library has settled
		t.Fatal(err)
	}
	cut()
	eventually(t, "connected again", func() bool { return c.IsConnectionOpen() && f.Clients() == 1 })
	// A takeover likewise: the same client id connects while the old connection
	// still stands.
	connect(t, options(f, "heron-07/gw1").SetWill(presence, "offline", 1, true))
	time.Sleep(2 * willDelay) // what must not happen has no signal
	if f.in.has(presence + " offline") {
		t.Error("a gateway that is connected was stored as offline")
	}
}

func TestAForeignWillIsRefused(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	for _, topic := range []string{"underkeep/1/egret-01/gw1/presence", topic, "x"} {
		if err := wait(paho.NewClient(options(f, "heron-07/gw1").SetWill(topic, "offline", 1, true)).Connect()); err == nil {
			t.Errorf("will on %s accepted", topic)
		}
	}
	if n := f.refused(t, refusedWill); n != 3 {
		t.Errorf("%d counted", n)
	}
}

// Our own stop says nothing of the gateways.
func TestStopSendsNoWills(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	connect(t, options(f, "heron-07/gw1").SetAutoReconnect(false).SetWill(presence, "offline", 1, true))
	f.Stop(t.Context())
	f.Stop(t.Context())
	if got := f.in.got(); len(got) != 0 {
		t.Errorf("stored: %v", got)
	}
	if _, err := net.Dial("tcp", f.Addr().String()); err == nil {
		t.Error("still listening")
	}
}

// A message that waits for its commit when the service stops is stored and
// acknowledged, or neither.
func TestStopLetsWaitingMessagesFinish(t *testing.T) {
	t.Parallel()
	f := start(t, nil)
	gate := make(chan struct{})
	f.in.set(func() { f.in.gate = gate })
	token := connect(t, options(f, "heron-07/gw1").SetAutoReconnect(false)).Publish(topic, 1, false, "a")
	eventually(t, "waits", func() bool { return f.server.Info.Clone().MessagesReceived == 1 })
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		f.Stop(context.Background())
	}()
	close(gate)
	<-stopped
	if acked := token.WaitTimeout(0) && token.Error() == nil; acked && !f.in.has(topic+" a") {
		t.Error("acknowledged, not stored")
	}
}

func TestStopByForceRejects(t *testing.T) {
	t.Parallel()
	f := start(t, func(c *Config) { c.DeliverTimeout = time.Hour })
	f.in.set(func() { f.in.gate = make(chan struct{}) })
	token := connect(t, options(f, "heron-07/gw1").SetKeepAlive(0).SetAutoReconnect(false)).Publish(topic, 1, false, "a")
	eventually(t, "waits", func() bool { return f.server.Info.Clone().MessagesReceived == 1 })
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	f.Stop(ctx)
	if token.WaitTimeout(0) && token.Error() == nil {
		t.Error("acknowledged, not stored")
	}
}

func TestNotReadyTurnsGatewaysAway(t *testing.T) {
	t.Parallel()
	var down atomic.Bool
	down.Store(true)
	f := start(t, func(c *Config) {
		c.Ready = func() error {
			if down.Load() {
				return errors.New("database is away")
			}
			return nil
		}
	})
	o := options(f, "heron-07/gw1")
	if err := wait(paho.NewClient(o).Connect()); err == nil || !strings.Contains(err.Error(), "navailable") {
		t.Errorf("connect: %v", err)
	}
	down.Store(false)
	connect(t, o)
	if n := f.refused(t, refusedNotReady); n < 1 {
		t.Errorf("%d counted", n)
	}
}

// Strangers hold a bounded number of places for a bounded time; here all places
// but one are taken by connections that say nothing.
func TestStrangersAreBounded(t *testing.T) {
	t.Parallel()
	f := start(t, func(c *Config) { c.MaxStrangers = 4 })
	for range 3 {
		c, err := net.Dial("tcp", f.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
	}
	for i := range 10 { // an admitted gateway gives its place back
		connect(t, options(f, fmt.Sprintf("heron-07/gw%d", i)))
	}
}

func TestPacketsAreBounded(t *testing.T) {
	t.Parallel()
	f := start(t, func(c *Config) { c.MaxPacket = 1 << 20 })
	c := connect(t, options(f, "heron-07/gw1").SetAutoReconnect(false))
	if err := wait(c.Publish(topic, 1, false, make([]byte, 900<<10))); err != nil {
		t.Fatal(err)
	}
	c.Publish(topic, 1, false, make([]byte, 2<<20))
	eventually(t, "counted", func() bool { return f.refused(t, refusedTooLarge) == 1 })
}

func TestTLS(t *testing.T) {
	t.Parallel()
	web := httptest.NewTLSServer(nil) // brings a certificate for 127.0.0.1
	t.Cleanup(web.Close)
	pool := x509.NewCertPool()
	pool.AddCert(web.Certificate())
	f := start(t, func(c *Config) {
		c.TLS = &tls.Config{Certificates: web.TLS.Certificates, MinVersion: tls.VersionTLS12}
	})
	o := options(f, "heron-07/gw1").SetTLSConfig(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12})
	o.Servers = nil
	o.AddBroker("ssl://" + f.Addr().String())
	if err := wait(connect(t, o).Publish(topic, 1, false, "a")); err != nil || !f.in.has(topic+" a") {
		t.Errorf("%v, %v", err, f.in.got())
	}
}

func TestConfigIsChecked(t *testing.T) {
	t.Parallel()
	if _, err := New(Config{}); err == nil {
		t.Error("empty configuration accepted")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := New(Config{Listen: l.Addr().String(), Deliverer: &inbox{}, CheckGateway: checkGateway}); err == nil {
		t.Error("address in use accepted")
	}
}
