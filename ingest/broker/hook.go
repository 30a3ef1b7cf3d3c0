package broker

import (
	"context"
	"crypto/sha256"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/prometheus/client_golang/prometheus"

	"underkeep/ingest"
)

// Why the broker refused something; a bounded set, used as metric label.
const (
	refusedCredentials = "bad-credentials"
	refusedNotReady    = "not-ready"
	refusedTopic       = "foreign-topic"
	refusedWill        = "foreign-will"
	refusedSubscribe   = "subscribe"
	refusedNotStored   = "not-stored"
	refusedTooLarge    = "packet-too-large"
	refusedRevoked     = "revoked"
)

// willDelay is how long a will waits, so that the gateway's next connection can
// belie it.
const willDelay = 250 * time.Millisecond

// hook is where the broker asks who may do what, and where messages leave it.
//
// A client's id within the server is "<property>/<gateway>:" and the id that it
// chose: two gateways that choose the same id do not throw each other out, and
// the id tells who publishes.
type hook struct {
	mqtt.HookBase
	cfg     Config
	server  *mqtt.Server
	log     *slog.Logger
	refused *prometheus.CounterVec
	clients prometheus.GaugeFunc
	closing atomic.Bool

	ctx    context.Context // ends waiting for commits, at a hard stop
	cancel context.CancelFunc
	wills  sync.WaitGroup

	mu        sync.Mutex
	connected map[string]int // connections by "<property>/<gateway>"
	admitted  map[*mqtt.Client]credential
}

// credential is what a client signed in with; never the password itself.
type credential struct {
	username string
	password [32]byte
}

func newHook(cfg Config, server *mqtt.Server) *hook {
	h := &hook{cfg: cfg, server: server, log: cfg.Log, connected: map[string]int{}, admitted: map[*mqtt.Client]credential{}}
	h.ctx, h.cancel = context.WithCancel(context.Background())
	h.refused = prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "underkeep", Subsystem: "broker",
		Name: "refused_total", Help: "Connections, publishes and subscriptions refused by the in-process broker, by reason."}, []string{"reason"})
	for _, r := range []string{refusedCredentials, refusedNotReady, refusedTopic, refusedWill, refusedSubscribe, refusedNotStored, refusedTooLarge, refusedRevoked} {
		h.refused.WithLabelValues(r)
	}
	h.clients = prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "underkeep", Subsystem: "broker",
		Name: "clients", Help: "Gateways connected to the in-process broker."},
		func() float64 { return float64(atomic.LoadInt64(&server.Info.ClientsConnected)) })
	if cfg.Metrics != nil {
		cfg.Metrics.MustRegister(h.refused, h.clients)
	}
	return h
}

// ID of the hook.
func (h *hook) ID() string { return "underkeep" }

// Provides lists what the hook answers.
func (h *hook) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublish, mqtt.OnWillSent,
		mqtt.OnSessionEstablished, mqtt.OnDisconnect:
		return true
	}
	return false
}

func (h *hook) refuse(reason string, cl *mqtt.Client, args ...any) {
	h.refused.WithLabelValues(reason).Inc()
	h.log.Warn("broker refused", append([]any{"reason", reason, "client", cl.ID, "remote", cl.Net.Remote}, args...)...)
}

// OnConnect turns gateways away while nothing can be stored; they keep their
// readings and come again.
func (h *hook) OnConnect(cl *mqtt.Client, _ packets.Packet) error {
	err := h.cfg.Ready()
	if err == nil && !h.closing.Load() {
		return nil
	}
	h.refused.WithLabelValues(refusedNotReady).Inc()
	_ = h.server.SendConnack(cl, packets.ErrServerUnavailable, false, nil) // the connection is closed either way
	return packets.ErrServerUnavailable
}

// OnConnectAuthenticate decides who the client is.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	property, gateway, ok := h.cfg.CheckGateway(string(pk.Connect.Username), string(pk.Connect.Password))
	if !ok {
		h.refuse(refusedCredentials, cl)
		return false
	}
	if pk.Connect.WillFlag && pk.Connect.WillTopic != ingest.PresenceTopic(property, gateway) {
		h.refuse(refusedWill, cl, "topic", bounded(pk.Connect.WillTopic))
		return false
	}
	cl.ID = property + "/" + gateway + ":" + cl.ID
	h.mu.Lock()
	h.admitted[cl] = credential{string(pk.Connect.Username), sha256.Sum256(pk.Connect.Password)}
	h.mu.Unlock()
	if s, ok := cl.Net.Conn.(*stranger); ok {
		s.release()
	}
	return true
}

// identity is "<property>/<gateway>" of an authenticated client.
func identity(cl *mqtt.Client) string {
	who, _, _ := strings.Cut(cl.ID, ":")
	return who
}

// owns says whether the topic stands under the client's own name. Topics under
// it that the contract does not know are stored as such, in quarantine, where a
// misspelling shows.
func owns(cl *mqtt.Client, topic string) bool {
	rest, ok := strings.CutPrefix(topic, ingest.TopicPrefix)
	if !ok {
		return false
	}
	rest, ok = strings.CutPrefix(rest, identity(cl))
	return ok && len(rest) > 1 && rest[0] == '/'
}

// OnACLCheck lets a gateway publish under its own name; nobody may subscribe.
// The server disconnects a client that publishes elsewhere, or refuses its
// message where it speaks version 5.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	if !write {
		h.refuse(refusedSubscribe, cl, "filter", bounded(topic))
		return false
	}
	if owns(cl, topic) {
		return true
	}
	h.refuse(refusedTopic, cl, "topic", bounded(topic))
	if h.cfg.Penalty > 0 {
		select {
		case <-time.After(h.cfg.Penalty):
		case <-h.ctx.Done():
		}
	}
	return false
}

// OnPublish stores the message before the server acknowledges it. It runs in
// the client's read loop: until it returns, the client's pings wait.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if !owns(cl, pk.TopicName) {
		return h.reject(cl, pk, errors.New("topic is not the gateway's own"))
	}
	ctx, cancel := context.WithTimeout(h.ctx, h.patience(cl))
	defer cancel()
	if err := h.cfg.Deliverer.Deliver(ctx, pk.TopicName, pk.Payload, time.Now()); err != nil {
		return h.reject(cl, pk, err)
	}
	if _, _, kind := ingest.ParseTopic(pk.TopicName); kind == ingest.KindPresence && len(pk.Payload) <= len("offline") {
		return pk, nil // retained where the gateway asks for it
	}
	return pk, packets.CodeSuccessIgnore // acknowledged, neither retained nor passed on
}

// reject answers nothing and ends the connection, so that the client sends the
// message again. Any error but this one would be acknowledged by the server.
func (h *hook) reject(cl *mqtt.Client, pk packets.Packet, err error) (packets.Packet, error) {
	h.refuse(refusedNotStored, cl, "error", err)
	cl.Stop(err)
	return pk, packets.ErrRejectPacket
}

// patience ends well before the client would miss the answer to a ping.
func (h *hook) patience(cl *mqtt.Client) time.Duration {
	if k := time.Duration(cl.State.Keepalive) * time.Second; k > 0 {
		return min(h.cfg.DeliverTimeout, k*3/4)
	}
	return h.cfg.DeliverTimeout
}

// OnSessionEstablished counts the gateway's connections.
func (h *hook) OnSessionEstablished(cl *mqtt.Client, _ packets.Packet) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.connected[identity(cl)]++
}

// OnDisconnect counts them down again.
func (h *hook) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	if errors.Is(err, packets.ErrPacketTooLarge) {
		h.refuse(refusedTooLarge, cl)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.admitted, cl)
	who := identity(cl)
	if h.connected[who]--; h.connected[who] <= 0 {
		delete(h.connected, who)
	}
}

// recheck ends connections whose credential no longer stands.
func (h *hook) recheck() {
	if h.cfg.Stands == nil {
		return
	}
	h.mu.Lock()
	var gone []*mqtt.Client
	for cl, c := range h.admitted {
		if !h.cfg.Stands(c.username, c.password) {
			gone = append(gone, cl)
		}
	}
	h.mu.Unlock()
	for _, cl := range gone {
		h.refuse(refusedRevoked, cl)
		cl.Stop(errors.New("its password no longer holds"))
	}
}

// OnWillSent stores a gateway's will, unless the gateway is back by then, or the
// connection ended because this service stops: that says nothing of the gateway.
func (h *hook) OnWillSent(cl *mqtt.Client, pk packets.Packet) {
	if h.closing.Load() {
		return
	}
	who, at := identity(cl), time.Now()
	h.wills.Go(func() {
		select {
		case <-time.After(willDelay):
		case <-h.ctx.Done():
			return
		}
		h.mu.Lock()
		back := h.connected[who] > 0
		h.mu.Unlock()
		if back || h.closing.Load() {
			return
		}
		ctx, cancel := context.WithTimeout(h.ctx, 3*h.cfg.DeliverTimeout)
		defer cancel()
		if err := h.cfg.Deliverer.Deliver(ctx, pk.TopicName, pk.Payload, at); err != nil {
			// Its silence will tell the same, somewhat later.
			h.refuse(refusedNotStored, cl, "will", true, "error", err)
		}
	})
}

// bounded keeps log lines short.
func bounded(s string) string {
	if len(s) > 100 {
		return strings.ToValidUTF8(s[:100], "") + "..."
	}
	return s
}
