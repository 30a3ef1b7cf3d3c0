package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg"
)

var crashRounds = flag.Int("crash.rounds", 4, "how many times the crash tests kill the service and Postgres, in turn")

// crashTimeout bounds one run of the load, on a machine busy with other tests.
func crashTimeout() time.Duration { return 5*time.Minute + time.Duration(*crashRounds)*time.Minute }

// crashOutcome is what a run came to, in a form that two runs can be compared by. A row
// count behind a unique key would prove nothing: what was counted twice shows in
// the alarms, in the figures of their evidence (cycles, litres) and in the journal.
type crashOutcome struct {
	readings map[string]float64 // "property point quantity time" to value
	alarms   []string
	journal  []string
}

// crashEnd is the end of the load's time, the same in all runs of this process and
// so near to now that nobody counts as silent.
var crashEnd = time.Now().UTC().Truncate(time.Hour)

// undisturbed is the outcome of a run in which nothing is killed.
var undisturbed = struct {
	once sync.Once
	crashOutcome
}{}

func calm(t *testing.T) crashOutcome {
	t.Helper()
	undisturbed.once.Do(func() {
		r, l := newRig(t, false), newLoad(crashEnd)
		undisturbed.crashOutcome = crashRun(t, r, l, func(context.Context) {})
	})
	if undisturbed.alarms == nil {
		t.Fatal("the undisturbed run failed")
	}
	for _, figure := range []string{"L in 24 h", "pump-short-cycling", "high-water", "humidity-high"} {
		if !strings.Contains(strings.Join(undisturbed.alarms, "\n"), figure) {
			t.Fatalf("the load brings no alarm with %q, so the comparison would say little", figure)
		}
	}
	return undisturbed.crashOutcome
}

// crashRun sends the load while disturb does its work, waits until all is evaluated
// and gathers what it came to.
func crashRun(t *testing.T, r *rig, l *load, disturb func(context.Context)) crashOutcome {
	t.Helper()
	r.serve()
	r.register(l, crashEnd)
	ctx, cancel := context.WithTimeout(t.Context(), crashTimeout())
	defer cancel()
	r.send(ctx, l, disturb)
	o := r.gather(l)
	r.stopService()
	return o
}

// send sends the load while disturb does its work.
func (r *rig) send(ctx context.Context, l *load, disturb func(context.Context)) {
	r.t.Helper()
	sent := make(chan error, 1)
	l.limit.Store(0) // disturb lets it on
	go func() { sent <- l.run(ctx, r.mqttAddr) }()
	disturb(ctx)
	l.limit.Store(l.total)
	r.must(<-sent)
}

// gather waits until no work is due and reads the outcome through the API, and the
// journal as a whole from the database.
func (r *rig) gather(l *load) crashOutcome {
	r.t.Helper()
	c, err := localpg.Open(r.t.Context(), localpg.Options{DataDir: filepath.Join(r.dir, "data", "postgres")})
	r.must(err)
	conn, err := pgx.Connect(r.t.Context(), c.URL())
	r.must(err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(r.t.Context(), "SET underkeep.properties = 'all'") // or row-level security shows nothing
	r.must(err)
	r.awaitStored(l)
	r.until("no work is due", func() bool {
		var due int
		r.must(conn.QueryRow(r.t.Context(), "SELECT count(*) FROM due").Scan(&due))
		return due == 0
	})
	o := crashOutcome{readings: map[string]float64{}}
	for _, g := range l.gateways {
		r.readings(g, o.readings)
	}
	for _, a := range get[map[string]any](r, "/v1/alarms", "alarms", url.Values{"limit": {"500"}}) {
		o.alarms = append(o.alarms, comparable(r.t, a))
	}
	rows, err := conn.Query(r.t.Context(), `
		SELECT format('%s %s %s %s %s', property_id, a.condition, a.point, a.raised_at, j.kind)
		FROM alarm_journal AS j JOIN alarm AS a USING (property_id, alarm_no)`)
	r.must(err)
	o.journal, err = pgx.CollectRows(rows, pgx.RowTo[string])
	r.must(err)
	slices.Sort(o.alarms)
	slices.Sort(o.journal)
	return o
}

// awaitStored waits until the last pack of every gateway is there: an external
// broker passes it on after its own PUBACK.
func (r *rig) awaitStored(l *load) {
	r.t.Helper()
	for _, g := range l.gateways {
		last := time.Unix(int64(g.packs[len(g.packs)-1][0].Time), 0).UTC()
		r.until("the last pack of "+g.property+" is stored", func() bool {
			return len(r.series(g.property, "north-bay", "rh", last)) > 0
		})
	}
}

type apiReading struct {
	At    time.Time `json:"at"`
	Value float64   `json:"value"`
}

func (r *rig) series(property, point, quantity string, from time.Time) []apiReading {
	return get[apiReading](r, "/v1/properties/"+property+"/readings", "readings", url.Values{
		"point": {point}, "quantity": {quantity}, "from": {from.Format(time.RFC3339)},
		"to": {crashEnd.Add(time.Hour).Format(time.RFC3339)}})
}

// readings adds all of a gateway's readings that the service has.
func (r *rig) readings(g *loadGateway, into map[string]float64) {
	seen := map[string]bool{}
	for _, pack := range g.packs {
		for _, record := range pack {
			if seen[record.Name] {
				continue
			}
			seen[record.Name] = true
			point, quantity, _ := strings.Cut(record.Name, "/")
			for _, a := range r.series(g.property, point, quantity, crashEnd.AddDate(0, 0, -crashDays-1)) {
				into[fmt.Sprintf("%s %s %d", g.property, record.Name, a.At.Unix())] += a.Value
			}
		}
	}
}

// acknowledged are the readings of all packs that got their PUBACK.
func (l *load) acknowledged() map[string]float64 {
	want := map[string]float64{}
	for _, g := range l.gateways {
		for i, pack := range g.packs {
			if !g.acked[i] {
				continue
			}
			for _, record := range pack {
				key := fmt.Sprintf("%s %s %d", g.property, record.Name, int64(record.Time))
				switch {
				case record.V != nil:
					want[key] = *record.V
				case *record.VB:
					want[key] = 1
				default:
					want[key] = 0
				}
			}
		}
	}
	return want
}

// comparable leaves out what may differ between two runs: the ids, its own and that
// of an event over several houses, when by the clock the alarm became known, and the figures with which a slow state was described just
// then. The figures of what is counted stay: cycles, litres.
func comparable(t *testing.T, alarm map[string]any) string {
	t.Helper()
	for _, name := range []string{"id", "known_at", "call_out", "regional_event"} {
		delete(alarm, name)
	}
	condition := fmt.Sprint(alarm["condition"])
	if !strings.Contains(condition, "pump") && !strings.Contains(condition, "water") {
		delete(alarm, "causes")
	}
	text, err := json.Marshal(alarm)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestCrash kills the service and Postgres in turn under load. Every reading that
// was acknowledged is stored, and what follows is what follows without any kill.
func TestCrash(t *testing.T) {
	for name, behindMosquitto := range map[string]bool{"broker in the service": false, "behind Mosquitto": true} {
		t.Run(name, func(t *testing.T) {
			want := calm(t)
			r, l := newRig(t, behindMosquitto), newLoad(crashEnd)
			rounds := 0
			got := crashRun(t, r, l, func(ctx context.Context) {
				l.inSteps(ctx, *crashRounds, func(step int) {
					if step%2 == 0 {
						r.killService()
					} else {
						r.killPostgres()
					}
					rounds++
				})
			})
			t.Logf("%d kills; %d packs acknowledged, %d sent again; %d readings, %d alarms, %d journal entries",
				rounds, l.acked.Load(), l.resent.Load(), len(got.readings), len(got.alarms), len(got.journal))
			if rounds != *crashRounds {
				t.Errorf("only %d of %d kills took place under load", rounds, *crashRounds)
			}
			compareReadings(t, got.readings, l.acknowledged())
			compareLists(t, "alarms", got.alarms, want.alarms)
			compareLists(t, "journal", got.journal, want.journal)
		})
	}
}

// TestMosquittoKilled: what that broker loses after its own PUBACK no setting of it
// prevents. The service recovers by itself, and sending again closes the hole.
func TestMosquittoKilled(t *testing.T) {
	want := calm(t)
	r, l := newRig(t, true), newLoad(crashEnd)
	r.serve()
	r.register(l, crashEnd)
	ctx, cancel := context.WithTimeout(t.Context(), crashTimeout())
	defer cancel()
	// As after autosave_interval: the broker remembers the service's session.
	r.must(r.mosquitto.Process.Signal(syscall.SIGUSR1))
	r.send(ctx, l, func(ctx context.Context) {
		kills := int64(0)
		l.paced(ctx, 20, 50*time.Millisecond, func(sent int64) {
			if sent*4 < l.total*(kills+1) || kills == 3 {
				return
			}
			kills++
			r.must(r.mosquitto.Process.Kill())
			r.mosquitto.Wait() // killed, as wanted
			r.startMosquitto()
		})
	})
	r.awaitReady() // the service is back on the broker, unaided
	for _, g := range l.gateways {
		g.again(len(g.payloads) - 1) // may be among the lost; then all before it has come
	}
	r.must(l.run(ctx, r.mqttAddr))
	got := r.gather(l)
	acknowledged := l.acknowledged()
	lost := missing(got.readings, acknowledged)
	t.Logf("3 kills of Mosquitto: %d of %d acknowledged readings were lost in the broker", len(lost), len(acknowledged))
	for _, g := range l.gateways { // the gateways send again what they kept
		g.again(0)
	}
	r.must(l.run(ctx, r.mqttAddr))
	r.until("the hole is closed", func() bool {
		now := map[string]float64{}
		for _, g := range l.gateways {
			r.readings(g, now)
		}
		return len(missing(now, acknowledged)) == 0
	})
	got = r.gather(l)
	compareReadings(t, got.readings, acknowledged)
	standing := func(alarms []string) []string { // late data may have moved some
		return slices.DeleteFunc(slices.Clone(alarms), func(a string) bool { return strings.Contains(a, "withdrawn_at") })
	}
	compareLists(t, "alarms", standing(got.alarms), standing(want.alarms))
	r.stopService()
}

func missing(got, want map[string]float64) (keys []string) {
	for key := range want {
		if _, ok := got[key]; !ok {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	return keys
}

func compareReadings(t *testing.T, got, want map[string]float64) {
	t.Helper()
	if lost := missing(got, want); len(lost) > 0 {
		t.Errorf("%d of %d acknowledged readings are lost, the first: %s", len(lost), len(want), lost[0])
	}
	if more := missing(want, got); len(more) > 0 {
		t.Errorf("%d readings were never sent, the first: %s", len(more), more[0])
	}
	for key, value := range want {
		if v, ok := got[key]; ok && v != value {
			t.Errorf("%s is %v, want %v", key, v, value)
		}
	}
}

func compareLists(t *testing.T, what string, got, want []string) {
	t.Helper()
	count := map[string]int{}
	for _, g := range got {
		count[g]++
	}
	for _, w := range want {
		count[w]--
	}
	shown := 0
	for key, n := range count {
		if n != 0 && shown < 10 {
			shown++
			t.Errorf("%s: %+d × %s", what, n, key)
		}
	}
}
