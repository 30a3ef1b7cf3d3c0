package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"underkeep/alerting/simulate"
	"underkeep/store"
)

const (
	demoCottages = 24
	demoMarker   = "this-is-a-demo"
	demoInFlight = 32 // packs of one gateway on their way at once
	demoTick     = time.Second
)

// runDemo runs the service on a data folder of its own with a simulated fleet
// of rental cottages that publishes over real MQTT: three months of history,
// then live.
func runDemo(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("demo", stderr)
	cfg.serviceFlags(fs)
	cfg.logLevel, cfg.dataDir = env("UNDERKEEP_LOG_LEVEL", "warn"), env("UNDERKEEP_DATA", "./underkeep-data-demo")
	n := fs.Int("cottages", demoCottages, "`number` of cottages")
	if err := fs.Parse(args); err != nil || fs.NArg() > 0 {
		return exitUsage
	}
	log, err := cfg.logger(stderr)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep demo: %v\n", err)
		return exitUsage
	}
	if err := prepareDemo(cfg); err != nil {
		fmt.Fprintf(stderr, "underkeep demo: %v\n", err)
		return exitNo
	}
	sink, err := startMailSink()
	if err != nil {
		fmt.Fprintf(stderr, "underkeep demo: %v\n", err)
		return exitNo
	}
	defer sink.close()
	if cfg.messaging.smtpURL == "" {
		cfg.messaging.smtpURL, cfg.messaging.mailFrom, cfg.messaging.mailName = "smtp+plain://"+sink.addr, "watch@skerry-bank.example", "Skerry Bank Dry Spaces"
	}
	s := newService(cfg, log)
	s.keptMail = sink.text
	if err := s.start(ctx); err != nil {
		fmt.Fprintf(stderr, "underkeep demo: %v\n", err)
		return exitNo
	}
	defer s.stop()
	d := demo{s: s, out: stdout, began: time.Now()}
	if err := d.run(ctx, *n); err != nil && ctx.Err() == nil {
		fmt.Fprintf(stderr, "underkeep demo: %v\n", err)
		return exitNo
	}
	return exitOK
}

// prepareDemo empties the folder of an earlier demo, and touches no other.
func prepareDemo(cfg *config) error {
	entries, err := os.ReadDir(cfg.dataDir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	marker := filepath.Join(cfg.dataDir, demoMarker)
	if len(entries) > 0 {
		if _, err := os.Stat(marker); err != nil {
			return fmt.Errorf("%s is not empty and not the folder of an earlier demo; give another with --data", cfg.dataDir)
		}
		if err := os.RemoveAll(cfg.dataDir); err != nil {
			return fmt.Errorf("empty the folder of the earlier demo: %w", err)
		}
	}
	if err := os.MkdirAll(cfg.dataDir, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(marker, []byte("underkeep demo empties this folder at its next start\n"), 0o644); err != nil {
		return err
	}
	cfg.http, cfg.mqttListen = freeAddress(cfg.http), freeAddress(cfg.mqttListen)
	return nil
}

// freeAddress keeps an address that can be listened on, or takes a free port of
// its host: a demo should start beside whatever else runs.
func freeAddress(addr string) string {
	l, err := net.Listen("tcp", addr)
	if err == nil {
		l.Close()
		return addr
	}
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return addr
	}
	return net.JoinHostPort(host, "0")
}

// demo is the fleet beside the service it reports to.
type demo struct {
	s     *service
	out   io.Writer
	began time.Time

	clients map[string]*demoGateway // by property
}

func (d *demo) run(ctx context.Context, n int) error {
	fleet := simulate.NewFleet(n, 1, time.Now())
	fmt.Fprintf(d.out, "Skerry Bank: %d rental cottages on a barrier island that exists nowhere.\n", n)
	if err := d.people(ctx); err != nil {
		return err
	}
	if _, err := d.s.store.RegisterFile(ctx, fleet.YAML(), "the fleet", "demo"); err != nil {
		return err
	}
	if err := d.connect(ctx, fleet); err != nil {
		return err
	}
	defer d.disconnect()
	if err := fleet.History(d.publish); err != nil {
		return err
	}
	if err := d.drain(ctx); err != nil {
		return err
	}
	if err := d.visits(ctx, fleet); err != nil {
		return err
	}
	if err := d.say(ctx, fleet); err != nil {
		return err
	}
	tick := time.NewTicker(demoTick)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-tick.C:
			if err := fleet.Advance(now, d.publish); err != nil {
				return err
			}
		}
	}
}

// people are those whom the company's messages go to; owners stand in the files.
func (d *demo) people(ctx context.Context) error {
	for _, p := range []store.NewPerson{
		{Name: "Mara Quill", Email: "mara@skerry-bank.example", Role: store.RoleManager, All: true, By: "demo"},
		{Name: "Teo Marsh", Email: "teo@skerry-bank.example", Role: store.RoleTechnician, All: true, Language: "es", Units: "si", By: "demo"},
	} {
		if _, err := d.s.store.AddPerson(ctx, p); err != nil {
			return err
		}
	}
	return nil
}

// connect gives every cottage its gateway and connects it, as it would from afar.
func (d *demo) connect(ctx context.Context, fleet *simulate.Fleet) error {
	d.clients = map[string]*demoGateway{}
	var credentials []store.Credentials
	for _, s := range fleet.Spaces {
		c, err := d.s.store.AddGateway(ctx, s.ID(), s.Gateway(), "demo")
		if err != nil {
			return err
		}
		credentials = append(credentials, c)
	}
	if err := d.s.store.RefreshRegistry(ctx); err != nil {
		return err
	}
	for i, s := range fleet.Spaces {
		g, err := dialDemoGateway(d.s.broker.Addr().String(), credentials[i])
		if err != nil {
			return fmt.Errorf("connect the gateway of %s: %w", s.ID(), err)
		}
		d.clients[s.ID()] = g
	}
	return nil
}

func (d *demo) disconnect() {
	for _, g := range d.clients {
		g.client.Disconnect(250)
	}
}

func (d *demo) publish(s *simulate.Space, m simulate.Message) error {
	return d.clients[s.ID()].publish(m)
}

// drain waits until everything sent is stored.
func (d *demo) drain(ctx context.Context) error {
	for _, g := range d.clients {
		if err := g.settle(ctx, 0); err != nil {
			return err
		}
	}
	return nil
}

// demoGateway is one gateway's connection with what is on its way.
type demoGateway struct {
	client mqtt.Client
	sent   []mqtt.Token
}

func dialDemoGateway(address string, c store.Credentials) (*demoGateway, error) {
	o := mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID(c.Username).
		SetUsername(c.Username).SetPassword(c.Password).SetKeepAlive(30 * time.Second).
		SetOrderMatters(false).SetCleanSession(false).SetMaxReconnectInterval(5 * time.Second)
	client := mqtt.NewClient(o)
	t := client.Connect()
	if !t.WaitTimeout(10 * time.Second) {
		return nil, errors.New("no answer within 10 s")
	}
	return &demoGateway{client: client}, t.Error()
}

func (g *demoGateway) publish(m simulate.Message) error {
	g.sent = append(g.sent, g.client.Publish(m.Topic, 1, m.Presence, m.Payload))
	if len(g.sent) < demoInFlight {
		return nil
	}
	return g.settle(context.Background(), demoInFlight/2)
}

// settle waits until at most rest messages are without their acknowledgement.
func (g *demoGateway) settle(ctx context.Context, rest int) error {
	for len(g.sent) > rest {
		select {
		case <-g.sent[0].Done():
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Minute):
			return errors.New("a message was not acknowledged within a minute")
		}
		if err := g.sent[0].Error(); err != nil {
			return fmt.Errorf("publish: %w", err)
		}
		g.sent = g.sent[1:]
	}
	return nil
}

// say tells where to look and how to sign in.
func (d *demo) say(ctx context.Context, fleet *simulate.Fleet) error {
	first := fleet.Spaces[0].ID()
	fmt.Fprintf(d.out, "Three months of history are stored, %.0f s after the start. It is live from here on.\n\n", time.Since(d.began).Seconds())
	fmt.Fprintf(d.out, "Look at      http://%s\nGateways at  mqtt://%s\n\nSign in as a person, with the password "+demoPassword+":\n", d.s.listener.Addr(), d.s.broker.Addr())
	if err := d.sayPeople(ctx, first); err != nil {
		return err
	}
	fmt.Fprintf(d.out, "  %-26s %s (all cottages, with visits for today)\n", demoTechnicianEmail, demoTechnician)
	fmt.Fprintln(d.out, "\nPrograms use the token of a role:")
	if err := d.sayTokens(ctx, first); err != nil {
		return err
	}
	fmt.Fprintf(d.out, "\nMessages that would go out are kept: http://%s/deliveries (as the manager)\n", d.s.listener.Addr())
	fmt.Fprintln(d.out, "\nWhat is arranged:")
	for _, n := range fleet.Notes {
		fmt.Fprintf(d.out, "  %-18s %s\n", n.Property, n.What)
	}
	fmt.Fprintln(d.out, "\nUnderkeep is no life-safety system. Ctrl-C ends the demo.")
	return nil
}

// demoPassword of every person of the demo, which is open to this machine alone
// and has nothing in it to protect.
const demoPassword = "skerry-bank-demo"

// sayPeople makes a person for each role.
func (d *demo) sayPeople(ctx context.Context, first string) error {
	for _, p := range []store.NewPerson{
		{Name: "Dana Brook", Role: store.RoleManager, All: true}, {Name: "Lee Marsh", Role: store.RoleTechnician, Properties: []string{first}},
		{Name: "Robin Shore", Role: store.RoleOwner, Properties: []string{first}}, {Name: "Claims desk", Role: store.RoleWarranty, All: true},
		{Name: "Night shift", Role: store.RoleOperator},
	} {
		p.Email, p.Password, p.By = string(p.Role)+"@skerry.example", demoPassword, "demo"
		if _, err := d.s.store.AddPerson(ctx, p); err != nil {
			return err
		}
		whose := "all cottages"
		if !p.All {
			whose = strings.Join(p.Properties, "")
		}
		if p.Role == store.RoleOperator {
			whose = "no cottage; only GET /v1/service, /v1/me and /metrics"
		}
		fmt.Fprintf(d.out, "  %-26s %s (%s)\n", p.Email, p.Name, whose)
	}
	return nil
}

func (d *demo) sayTokens(ctx context.Context, first string) error {
	for _, r := range []struct {
		role       store.Role
		properties []string
	}{{store.RoleManager, nil}, {store.RoleTechnician, nil}, {store.RoleOwner, []string{first}}, {store.RoleWarranty, nil}, {store.RoleOperator, nil}} {
		secret, err := d.s.store.CreateToken(ctx, store.NewToken{Name: "demo " + string(r.role), Role: r.role, Properties: r.properties, By: "demo"})
		if err != nil {
			return err
		}
		whose := "all cottages"
		switch {
		case r.properties != nil:
			whose = first
		case r.role == store.RoleOperator:
			whose = "no cottage"
		}
		fmt.Fprintf(d.out, "  %-11s %s  (%s)\n", r.role, secret, whose)
	}
	return nil
}
