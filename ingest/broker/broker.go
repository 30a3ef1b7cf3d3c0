// Package broker is an MQTT broker inside the service, for a single machine.
//
// Its PUBACK means stored: each message is handed to the store from the publish
// hook, and the acknowledgement leaves only after the commit. When storing
// fails the message is rejected without an acknowledgement and the client is
// disconnected, so that it sends again.
//
// Gateways publish and do nothing else. Each may publish under its own property
// and gateway name only, and nobody may subscribe: a subscriber that does not
// read would hold up those who publish. Presence is retained and a gateway's
// will is stored like a message.
package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/prometheus/client_golang/prometheus"

	"underkeep/ingest"
)

// Config of a Broker. Deliverer and CheckGateway are required; other zero
// fields take the default.
type Config struct {
	// Listen is the address, host:port; port 0 takes a free one. Default
	// 127.0.0.1:1883. Listener, where given, is used instead and closed by Stop.
	Listen   string
	Listener net.Listener
	TLS      *tls.Config // nil: plain TCP

	Deliverer ingest.Deliverer
	// Ready, where given, refuses connections while it returns an error.
	Ready func() error
	// CheckGateway says which gateway a user name and password belong to. It is
	// called from many goroutines and must answer from memory
	// ((*store.Registry).CheckGateway).
	CheckGateway func(username, password string) (property, gateway string, ok bool)

	// Stands says whether a gateway that signed in with the password of this hash
	// may stay; nil: it may as long as its connection lasts. See Recheck.
	Stands func(username string, password [32]byte) bool

	// DeliverTimeout is how long a message may wait for its commit; a client
	// with a short keep-alive gets three quarters of that. Default 10 s.
	DeliverTimeout time.Duration
	// MaxPacket in bytes; a larger one ends its connection. Default 16 MB
	// (16<<20): more than a pack may have, so that what is too large by little
	// shows in quarantine.
	MaxPacket int
	// MaxClients connected at once, and those among them that have not said who
	// they are. Defaults 20,000 and 256.
	MaxClients, MaxStrangers int
	// Penalty is how long a client waits after a forbidden publish before it is
	// disconnected, so that one that tries again and again costs little.
	// Default 1 s, negative for none.
	Penalty time.Duration

	Metrics prometheus.Registerer // nil: not exported
	Log     *slog.Logger          // default slog.Default()
}

func (c Config) withDefaults() (Config, error) {
	if c.Deliverer == nil || c.CheckGateway == nil {
		return c, errors.New("broker: needs a Deliverer and CheckGateway")
	}
	if c.Listen == "" {
		c.Listen = "127.0.0.1:1883"
	}
	if c.DeliverTimeout <= 0 {
		c.DeliverTimeout = 10 * time.Second
	}
	if c.MaxPacket <= 0 {
		c.MaxPacket = 16 << 20
	}
	if c.MaxClients <= 0 {
		c.MaxClients = 20_000
	}
	if c.MaxStrangers <= 0 {
		c.MaxStrangers = 256
	}
	if c.Penalty == 0 {
		c.Penalty = time.Second
	}
	if c.Ready == nil {
		c.Ready = func() error { return nil }
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	return c, nil
}

// Broker is a running broker.
type Broker struct {
	cfg    Config
	server *mqtt.Server
	net    net.Listener
	hook   *hook
	stop   sync.Once
}

// New opens the listener and starts the broker; Stop ends it.
func New(cfg Config) (*Broker, error) {
	cfg, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	b := &Broker{cfg: cfg, net: cfg.Listener}
	if b.net == nil {
		if b.net, err = net.Listen("tcp", cfg.Listen); err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
	}
	b.server = mqtt.New(&mqtt.Options{
		Capabilities: capabilities(cfg),
		// Its warnings carry whole packets; what matters is logged by the hook.
		Logger:                   slog.New(slog.DiscardHandler),
		SysTopicResendInterval:   3600,
		ClientNetReadBufferSize:  4 << 10,
		ClientNetWriteBufferSize: 1 << 10,
	})
	b.hook = newHook(cfg, b.server)
	if err := b.server.AddHook(b.hook, nil); err != nil {
		return nil, errors.Join(fmt.Errorf("broker: %w", err), b.net.Close())
	}
	if err := b.server.AddListener(newListener(b.net, cfg)); err != nil {
		return nil, errors.Join(fmt.Errorf("broker: %w", err), b.net.Close())
	}
	if err := b.server.Serve(); err != nil {
		return nil, errors.Join(fmt.Errorf("broker: %w", err), b.net.Close())
	}
	cfg.Log.Info("broker listens", "address", b.Addr().String(), "tls", cfg.TLS != nil)
	return b, nil
}

func capabilities(cfg Config) *mqtt.Capabilities {
	c := mqtt.NewDefaultServerCapabilities()
	c.MaximumClients = int64(cfg.MaxClients)
	c.MaximumPacketSize = uint32(cfg.MaxPacket)
	c.MaximumMessageExpiryInterval = 0
	c.MaximumSessionExpiryInterval = 3600 // sessions hold nothing: nobody subscribes
	c.SharedSubAvailable = 0
	c.TopicAliasMaximum = 0 // an alias would be resolved only behind the access check
	return c
}

// Addr is where the broker listens.
func (b *Broker) Addr() net.Addr { return b.net.Addr() }

// Stop takes no more messages, lets those that wait for their commit finish,
// and closes all connections. When ctx ends they are rejected instead, and sent
// again after the next start. Stop may be called more than once.
func (b *Broker) Stop(ctx context.Context) {
	b.stop.Do(func() {
		b.hook.closing.Store(true)
		defer context.AfterFunc(ctx, b.hook.cancel)()
		if err := b.server.Close(); err != nil {
			b.cfg.Log.Warn("broker stopped", "error", err)
		}
		b.hook.cancel()
		b.hook.wills.Wait()
	})
}

// Recheck ends the connections of gateways whose password no longer holds: it
// was revoked, or its time ran out. Call it when either may have happened.
func (b *Broker) Recheck() { b.hook.recheck() }

// Clients is how many gateways are connected.
func (b *Broker) Clients() int { return int(atomic.LoadInt64(&b.server.Info.ClientsConnected)) }
