package ingest

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
)

// The benchmarks compare within one run: the way of a reading through a real
// Mosquitto into a durable Postgres, against the same messages on the same
// machine through a typed shell pipeline
//
//	mosquitto_sub | split --filter 'psql COPY', then INSERT … SELECT
//
// which acknowledges before it commits and checks nothing, and against bare
// CopyFrom of the same rows. Run one pass:
//
//	go test -run '^$' -bench Ingest -benchtime 1x ./ingest
//
// UNDERKEEP_BENCH_MESSAGES sets the number of messages (default 60,000).

const (
	benchProperties = 20
	benchPoints     = 10
)

func benchMessages(b *testing.B) int {
	n := 60_000
	if s := os.Getenv("UNDERKEEP_BENCH_MESSAGES"); s != "" {
		if _, err := fmt.Sscan(s, &n); err != nil {
			b.Fatal(err)
		}
	}
	return n
}

// bench is a broker, a database and a fleet.
type bench struct {
	mosquitto *mosquitto
	url       string
	store     *store.Store
	topics    []string
	next      int64 // readings made so far: each has a time of its own
}

func newBench(b *testing.B) *bench {
	b.Helper()
	var gateways []string
	for i := range benchProperties {
		gateways = append(gateways, fmt.Sprintf("cottage-%02d/gw", i))
	}
	f := &bench{mosquitto: startMosquitto(b, gateways...), url: pgtest.Durable(b).URL()}
	f.allowAll(b)
	ctx := b.Context()
	var err error
	f.store, err = store.Open(ctx, f.url, store.Options{Log: quiet()})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(f.store.Close)
	if err := f.store.Migrate(ctx); err != nil {
		b.Fatal(err)
	}
	for i := range benchProperties {
		id := fmt.Sprintf("cottage-%02d", i)
		file := fmt.Sprintf("property: %s\nname: Cottage %d\ntimezone: America/New_York\ninstalled: 2026-03-02\npoints:\n", id, i)
		for p := range benchPoints {
			file += fmt.Sprintf("  - {id: bay-%d, measures: [rh], every: 5m}\n", p)
		}
		if _, err := f.store.RegisterFile(ctx, []byte(file), id, "bench"); err != nil {
			b.Fatal(err)
		}
		if _, err := f.store.AddGateway(ctx, id, "gw", "bench"); err != nil {
			b.Fatal(err)
		}
		f.topics = append(f.topics, ReadingsTopic(id, "gw"))
	}
	return f
}

// allowAll lets the loader publish for every gateway over one connection.
func (f *bench) allowAll(b *testing.B) {
	b.Helper()
	acl, err := os.OpenFile(f.mosquitto.path("acl"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		b.Fatal(err)
	}
	defer acl.Close()
	if _, err := io.WriteString(acl, "\nuser cottage-00/gw\ntopic write underkeep/1/#\n"); err != nil {
		b.Fatal(err)
	}
	if err := f.mosquitto.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		b.Fatal(err)
	}
	time.Sleep(200 * time.Millisecond) // it reads its files at the next turn of its loop
}

type benchMessage struct {
	topic   string
	payload []byte
}

// benchStart is when the first reading was taken.
var benchStart = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC).Unix()

// messages makes n messages of records readings each, over the whole fleet.
func (f *bench) messages(n, records int) []benchMessage {
	out := make([]benchMessage, n)
	for i := range out {
		var p []byte
		for r := range records {
			k := f.next
			f.next++
			t := benchStart + k/100
			switch {
			case records == 1:
				p = fmt.Appendf(p, `[{"n":"bay-%d/rh","u":"%%RH","v":%.1f,"t":%d.%02d}]`, k%benchPoints, 40+float64(k%300)/10, t, k%100)
			case r == 0:
				p = fmt.Appendf(p, `[{"bu":"%%RH","n":"bay-%d/rh","v":%.1f,"t":%d.%02d}`, k%benchPoints, 40+float64(k%300)/10, t, k%100)
			default:
				p = fmt.Appendf(p, `,{"n":"bay-%d/rh","v":%.1f,"t":%d.%02d}`, k%benchPoints, 40+float64(k%300)/10, t, k%100)
			}
		}
		if records > 1 {
			p = append(p, ']')
		}
		out[i] = benchMessage{f.topics[i%benchProperties], p}
	}
	return out
}

// load publishes at QoS 1 as fast as the broker takes it, at most 2,000
// messages unacknowledged, and returns when all are acknowledged.
func (f *bench) load(b *testing.B, messages []benchMessage) {
	b.Helper()
	c, err := net.Dial("tcp", f.mosquitto.addr)
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	in, out := bufio.NewReaderSize(c, 64<<10), bufio.NewWriterSize(c, 64<<10)
	hello := append([]byte{0, 4}, "MQTT\x04\xc2\x00\x3c"...) // clean session, user, password, 60 s
	for _, s := range []string{"loader", "cottage-00/gw", testPassword} {
		hello = append(binary.BigEndian.AppendUint16(hello, uint16(len(s))), s...)
	}
	out.Write(append([]byte{0x10, byte(len(hello))}, hello...))
	if err := out.Flush(); err != nil {
		b.Fatal(err)
	}
	var connack [4]byte
	if _, err := io.ReadFull(in, connack[:]); err != nil || connack[3] != 0 {
		b.Fatalf("connect: %v %v", connack, err)
	}
	window := make(chan struct{}, 2000)
	acked := make(chan error, 1)
	go func() {
		for range messages {
			var puback [4]byte
			if _, err := io.ReadFull(in, puback[:]); err != nil {
				acked <- err
				return
			}
			<-window
		}
		acked <- nil
	}()
	for i, m := range messages {
		select {
		case window <- struct{}{}:
		default:
			if err := out.Flush(); err != nil {
				b.Fatal(err)
			}
			window <- struct{}{}
		}
		out.WriteByte(0x32)
		n := 2 + len(m.topic) + 2 + len(m.payload)
		for ; n >= 128; n >>= 7 {
			out.WriteByte(byte(n) | 0x80)
		}
		out.WriteByte(byte(n))
		var id [2]byte
		binary.BigEndian.PutUint16(id[:], uint16(len(m.topic)))
		out.Write(id[:])
		out.WriteString(m.topic)
		binary.BigEndian.PutUint16(id[:], uint16(i%65535+1))
		out.Write(id[:])
		out.Write(m.payload)
	}
	if err := out.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := <-acked; err != nil {
		b.Fatal(err)
	}
}

// service runs a subscriber and a door over the real store.
func (f *bench) service(b *testing.B) (count func() int, reg *prometheus.Registry, stop func()) {
	b.Helper()
	reg = prometheus.NewRegistry()
	d, err := NewDoor(DoorConfig{Sites: StoreSites(f.store.Registry), Recorder: f.store, Metrics: reg, Log: quiet()})
	if err != nil {
		b.Fatal(err)
	}
	s := subscribe(b, f.mosquitto, d, func(c *SubscriberConfig) { c.ClientID = "bench"; c.Log = quiet() })
	count = func() int {
		m := gather(b, reg)
		return int(m["underkeep_ingest_readings_stored_total"] + m["underkeep_ingest_readings_duplicate_total"])
	}
	return count, reg, func() {
		s.stop()
		if err := d.Close(context.Background()); err != nil {
			b.Error(err)
		}
	}
}

// shell runs the typed shell pipeline until n messages are in the typed table.
type shell struct {
	f    *bench
	conn *pgx.Conn
	sub  *exec.Cmd
}

func (f *bench) shell(b *testing.B) *shell {
	b.Helper()
	for _, bin := range []string{"mosquitto_sub", "psql", "split"} {
		if _, err := exec.LookPath(bin); err != nil {
			b.Skipf("%s is not installed", bin)
		}
	}
	conn, err := pgx.Connect(b.Context(), f.url)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { conn.Close(context.Background()) })
	s := &shell{f: f, conn: conn}
	s.exec(b, `CREATE TABLE IF NOT EXISTS shell_raw (topic text, payload text)`)
	s.exec(b, `CREATE TABLE IF NOT EXISTS shell_typed (property text, gateway text, point text, quantity text, at timestamptz, value float8,
		PRIMARY KEY (property, point, quantity, at))`)
	s.exec(b, `TRUNCATE shell_raw, shell_typed`)
	return s
}

func (s *shell) exec(b *testing.B, sql string) {
	b.Helper()
	if _, err := s.conn.Exec(b.Context(), sql); err != nil {
		b.Fatal(err)
	}
}

// session makes the broker keep messages for the pipeline.
func (s *shell) session(b *testing.B, args ...string) *exec.Cmd {
	host, port, _ := net.SplitHostPort(s.f.mosquitto.addr)
	return exec.Command("mosquitto_sub", append([]string{"-h", host, "-p", port, "-u", "underkeep", "-P", testPassword,
		"-q", "1", "-c", "-i", "shell", "-t", "underkeep/1/#"}, args...)...)
}

// start the pipeline for n messages; it ends by itself, as the last lines would
// otherwise stay in it.
func (s *shell) start(b *testing.B, n int) {
	b.Helper()
	s.sub = s.session(b, "-F", `%t\t%p`, "-C", fmt.Sprint(n))
	script := filepath.Join(b.TempDir(), "load.sh")
	if err := os.WriteFile(script, []byte("#!/bin/sh\nexec psql -q \"$BENCH_URL\" -c 'COPY shell_raw FROM STDIN'\n"), 0o700); err != nil {
		b.Fatal(err)
	}
	split := exec.Command("split", "-l", "5000", "--filter="+script)
	split.Env = append(os.Environ(), "BENCH_URL="+s.f.url)
	pipe, err := s.sub.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	split.Stdin = pipe
	split.Stderr = os.Stderr
	if err := s.sub.Start(); err != nil {
		b.Fatal(err)
	}
	if err := split.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.sub.Process.Kill(); _ = s.sub.Wait(); _ = split.Wait() })
}

// finish waits for n raw rows and types them.
func (s *shell) finish(b *testing.B, n int) {
	b.Helper()
	for deadline := time.Now().Add(5 * time.Minute); ; time.Sleep(5 * time.Millisecond) {
		var rows int
		if err := s.conn.QueryRow(b.Context(), `SELECT count(*) FROM shell_raw`).Scan(&rows); err != nil {
			b.Fatal(err)
		}
		if rows >= n {
			break
		}
		if time.Now().After(deadline) {
			b.Fatalf("shell pipeline: %d of %d rows", rows, n)
		}
	}
	s.exec(b, `INSERT INTO shell_typed
		SELECT split_part(topic, '/', 3), split_part(topic, '/', 4), split_part(r->>'n', '/', 1), split_part(r->>'n', '/', 2),
			to_timestamp((r->>'t')::float8), (r->>'v')::float8
		FROM (SELECT topic, payload::json->0 AS r FROM shell_raw) AS m
		WHERE r->>'u' = '%RH' ON CONFLICT DO NOTHING`)
	var typed int
	if err := s.conn.QueryRow(b.Context(), `SELECT count(*) FROM shell_typed`).Scan(&typed); err != nil || typed != n {
		b.Fatalf("shell pipeline typed %d of %d rows: %v", typed, n, err)
	}
}

// report the rates and their ratio.
func reportRates(b *testing.B, n int, ours, other time.Duration) {
	rate := func(d time.Duration) float64 { return float64(n) / d.Seconds() }
	b.ReportMetric(rate(ours), "underkeep-msg/s")
	b.ReportMetric(rate(other), "shell-msg/s")
	b.ReportMetric(rate(ours)/rate(other), "ratio")
	b.ReportMetric(0, "ns/op")
}

// reportTime says where the service's time went: in transactions, and how large
// they were.
func reportTime(b *testing.B, reg *prometheus.Registry, took time.Duration) {
	families, err := reg.Gather()
	if err != nil {
		b.Fatal(err)
	}
	for _, f := range families {
		if h := f.GetMetric()[0].GetHistogram(); h != nil {
			switch f.GetName() {
			case "underkeep_ingest_commit_seconds":
				b.ReportMetric(h.GetSampleSum()/took.Seconds(), "commit-share")
			case "underkeep_ingest_batch_records":
				b.ReportMetric(h.GetSampleSum()/float64(h.GetSampleCount()), "records/commit")
			}
		}
	}
}

func waitFor(b *testing.B, count func() int, n int) {
	b.Helper()
	for deadline := time.Now().Add(5 * time.Minute); count() < n; time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			b.Fatalf("%d of %d stored", count(), n)
		}
	}
}

func BenchmarkIngestDrain(b *testing.B) {
	f := newBench(b)
	n := benchMessages(b)
	sh := f.shell(b)
	for b.Loop() {
		// Both sessions exist, both get the same backlog.
		if out, err := sh.session(b, "-W", "1").CombinedOutput(); err != nil && !strings.Contains(err.Error(), "exit status 27") {
			b.Fatalf("%v: %s", err, out)
		}
		_, _, stop := f.service(b)
		stop()
		f.load(b, f.messages(n, 1))

		began := time.Now()
		count, reg, stop := f.service(b)
		waitFor(b, count, n)
		ours := time.Since(began)
		stop()

		began = time.Now()
		sh.start(b, n)
		sh.finish(b, n)
		other := time.Since(began)
		reportRates(b, n, ours, other)
		reportTime(b, reg, ours)
	}
}

func BenchmarkIngestLive(b *testing.B) {
	f := newBench(b)
	n := benchMessages(b)
	for b.Loop() {
		messages := f.messages(n, 1)
		count, reg, stop := f.service(b)
		began := time.Now()
		f.load(b, messages)
		waitFor(b, count, n)
		ours := time.Since(began)
		stop()
		f.forget(b, "bench")

		sh := f.shell(b)
		sh.start(b, n)
		time.Sleep(300 * time.Millisecond) // until it has subscribed
		began = time.Now()
		f.load(b, messages)
		sh.finish(b, n)
		other := time.Since(began)
		f.forget(b, "shell")
		reportRates(b, n, ours, other)
		reportTime(b, reg, ours)
	}
}

// forget ends a session, so that the broker keeps nothing more for it.
func (f *bench) forget(b *testing.B, client string) {
	b.Helper()
	host, port, _ := net.SplitHostPort(f.mosquitto.addr)
	out, err := exec.Command("mosquitto_sub", "-h", host, "-p", port, "-u", "underkeep", "-P", testPassword, "-i", client, "-t", "none", "-W", "1").CombinedOutput()
	if err != nil && !strings.Contains(err.Error(), "exit status 27") {
		b.Fatalf("%v: %s", err, out)
	}
}

// BenchmarkIngestPacks drains packs of 100 records and compares with bare
// CopyFrom of the same rows, 5,000 a transaction, into a table of the same
// shape and key.
func BenchmarkIngestPacks(b *testing.B) {
	f := newBench(b)
	packs := max(benchMessages(b)/50, 10)
	conn, err := pgx.Connect(b.Context(), f.url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(b.Context(), `CREATE TABLE bare (LIKE readings INCLUDING ALL)`); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		_, _, stop := f.service(b)
		stop()
		messages := f.messages(packs, 100)
		f.load(b, messages)

		began := time.Now()
		count, reg, stop := f.service(b)
		waitFor(b, count, packs*100)
		ours := time.Since(began)
		stop()

		rows := f.rows(b, messages)
		began = time.Now()
		for len(rows) > 0 {
			n := min(len(rows), 5000)
			if _, err := conn.CopyFrom(b.Context(), pgx.Identifier{"bare"},
				[]string{"property_id", "series_id", "gateway_id", "at", "value", "received_at"}, pgx.CopyFromRows(rows[:n])); err != nil {
				b.Fatal(err)
			}
			rows = rows[n:]
		}
		bare := time.Since(began)
		b.ReportMetric(float64(packs*100)/ours.Seconds(), "underkeep-rows/s")
		b.ReportMetric(float64(packs*100)/bare.Seconds(), "copyfrom-rows/s")
		b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
		b.ReportMetric(0, "ns/op")
		reportTime(b, reg, ours)
	}
}

// rows are the messages' readings as CopyFrom takes them.
func (f *bench) rows(b *testing.B, messages []benchMessage) [][]any {
	b.Helper()
	check := NewChecker(StoreSites(f.store.Registry), DoorConfig{}.Limits)
	now := time.Now()
	var rows [][]any
	for _, m := range messages {
		d := check.Decode(Message{Topic: m.topic, Payload: m.payload, Received: now})
		p, _ := f.store.Registry().Property(d.Property)
		g, _ := p.Gateway(d.Gateway)
		for _, r := range d.Readings {
			s, _ := p.Series(r.Point, r.Quantity)
			rows = append(rows, []any{p.Num, s, g, r.At, r.Value, now})
		}
	}
	return rows
}

// BenchmarkCheck is decoding and checking alone.
func BenchmarkCheck(b *testing.B) {
	sites := heron(b)
	pack := []byte("[")
	for i := range 100 {
		pack = fmt.Appendf(pack, `{"n":"north-bay/rh","u":"%%RH","v":50,"t":%s},`, at(i-200))
	}
	pack[len(pack)-1] = ']'
	for name, m := range map[string]struct {
		payload []byte
		records int
	}{"single": {one(-60, 50), 1}, "pack100": {pack, 100}} {
		b.Run(name, func(b *testing.B) {
			check := NewChecker(sites, DoorConfig{}.Limits)
			b.ReportAllocs()
			for b.Loop() {
				if d := check.Decode(Message{Topic: readingsTopic, Payload: m.payload, Received: received}); len(d.Readings) != m.records {
					b.Fatal(d.Refused)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*m.records), "ns/record")
		})
	}
}
