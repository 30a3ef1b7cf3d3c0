package notify

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

const childEnv = "UNDERKEEP_TEST_NOTIFY_CHILD"

// TestChild is no test: it is the process that other tests kill, or that ends
// itself at a step.
func TestChild(t *testing.T) {
	set := strings.Split(os.Getenv(childEnv), "|")
	if len(set) != 3 {
		t.Skip("only as a child")
	}
	r := rigOn(t, set[0], &clock{at: time.Now().UTC()}, &mailServer{addr: set[1]})
	r.deliverer.Now, r.planner.Now = time.Now, time.Now
	r.deliverer.fault = func(step string, _ int64) {
		if step == set[2] {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
	}
	startJobs(t, r)
	time.Sleep(time.Minute) // killed long before
}

// child starts the process; it ends itself at step, "" for never.
func child(t *testing.T, url, addr, step string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestChild$")
	cmd.Env = append(os.Environ(), childEnv+"="+url+"|"+addr+"|"+step)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd
}

// TestKilledAtEachStep kills the service at every step of a delivery. The mail
// comes once, whatever the step, but from the moment on when the server has all of
// it until its answer is noted. Nobody can know then (RFC 1047), so it comes
// again, and both have the same Message-ID.
func TestKilledAtEachStep(t *testing.T) {
	t.Parallel()
	for step, copies := range map[string]int{
		"claimed": 1, "made": 1, "mail": 1, "rcpt": 1,
		"data": 2, "answer": 2, "taken": 2,
		"noted": 1,
	} {
		t.Run(step, func(t *testing.T) {
			t.Parallel()
			url := pgtest.New(t, migrateTemplate)
			mails := newMailServer(t)
			r := rigOn(t, url, &clock{at: time.Now().UTC().Truncate(time.Second)}, mails)
			r.register("heron-07")
			r.allWet([]string{"heron-07"})
			started := make(chan *exec.Cmd, 1)
			var once sync.Once
			mails.watch(func(phase string) {
				if phase == step {
					once.Do(func() {
						cmd := <-started
						_ = cmd.Process.Kill()
						_, _ = cmd.Process.Wait() // before the server goes on
					})
				}
			})
			cmd := child(t, url, mails.addr, step)
			started <- cmd
			_ = cmd.Wait()
			mails.watch(nil)
			mails.quiet(t)
			before := len(mails.all())

			r.clock.advance(5 * time.Minute) // the claim has run out
			r.deliver()
			r.settle(time.Minute)
			ids := map[string]bool{}
			for _, m := range mails.all() {
				ids[m.Head.Get("Message-Id")] = true
			}
			if got := len(mails.all()); got != copies || len(ids) != 1 {
				t.Errorf("%d mails with %d Message-IDs, %d before the kill; want %d with one\n%s", got, len(ids), before, copies, r.summary())
			}
		})
	}
}

func startJobs(tb testing.TB, r *rig) {
	tb.Helper()
	jobs, err := r.store.StartJobs(tb.Context(), store.JobOptions{Register: r.deliverer.Register, Queues: Queues(), Conns: 8})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = jobs.Stop(context.WithoutCancel(tb.Context())) })
}

// allWet raises one alarm at every house at once.
func (r *rig) allWet(ids []string) {
	r.tb.Helper()
	now := r.clock.now()
	for _, id := range ids {
		r.reads(id, "floor", site.Leak, now.Add(-2*time.Minute), 1)
		r.reads(id, "north-bay", site.RH, now, 50)
	}
	r.evaluate()
}

func houses(n int) []string {
	var ids []string
	for i := range n {
		ids = append(ids, fmt.Sprintf("heron-%04d", i))
	}
	return ids
}

// Processes that send are killed at random moments while a slow server takes
// mail. Every owner hears of it; whoever hears twice does so because an attempt
// was cut short, and both mails have the same Message-ID.
func TestKilledWhileSending(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t, migrateTemplate)
	mails := newMailServer(t)
	mails.dataWait = 15 * time.Millisecond
	r := rigOn(t, url, &clock{at: time.Now().UTC().Truncate(time.Second)}, mails)
	ids := houses(60)
	r.register(ids...)
	r.allWet(ids)
	for range 4 {
		killAfter(t, url, len(mails.all())+1+rand.IntN(12), mails)
	}
	r.clock.advance(5 * time.Minute) // claims of the dead have run out
	r.deliver()
	r.settle(2 * time.Minute)

	byOwner, byID := map[string]int{}, map[string]int{}
	for _, m := range mails.all() {
		byOwner[m.To]++
		byID[m.Head.Get("Message-Id")]++
	}
	if len(byOwner) != len(ids) || len(byID) != len(ids) {
		t.Errorf("%d owners heard of it with %d Message-IDs, want %d", len(byOwner), len(byID), len(ids))
	}
	cut := 0
	for _, n := range r.notices() {
		_, attempts, err := r.store.Notice(t.Context(), store.AllProperties, n.ID)
		if err != nil {
			t.Fatal(err)
		}
		unknown := 0
		for _, a := range attempts {
			if a.Outcome == "unknown" {
				unknown++
			}
		}
		cut += unknown
		if n.State != store.NoticeSent || byOwner[n.Recipient] > 1+unknown {
			t.Errorf("%s: %s, %d mails, %d attempts cut short", n.Recipient, n.State, byOwner[n.Recipient], unknown)
		}
	}
	t.Logf("%d attempts were cut short, %d mails came twice", cut, len(mails.all())-len(ids))
}

// killAfter runs a process that sends, and kills it at a random moment after the
// server has taken so many mails.
func killAfter(t *testing.T, url string, mails int, m *mailServer) {
	t.Helper()
	cmd := child(t, url, m.addr, "")
	for deadline := time.Now().Add(20 * time.Second); len(m.all()) < mails && time.Now().Before(deadline); {
		time.Sleep(2 * time.Millisecond)
	}
	time.Sleep(time.Duration(rand.Int64N(int64(30 * time.Millisecond))))
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
}

// twoInstances of the service share a database, a clock and a mail server, and know
// the same n houses.
func twoInstances(t *testing.T, n int) (a, b *rig, ids []string) {
	t.Helper()
	url := pgtest.New(t, migrateTemplate)
	mails := newMailServer(t)
	c := &clock{at: time.Now().UTC().Truncate(time.Second)}
	a, b = rigOn(t, url, c, mails), rigOn(t, url, c, mails)
	ids = houses(n)
	a.register(ids...)
	if err := b.store.RefreshRegistry(t.Context()); err != nil {
		t.Fatal(err)
	}
	return a, b, ids
}

// Two instances share the work and tell nobody twice.
func TestTwoInstances(t *testing.T) {
	t.Parallel()
	a, b, ids := twoInstances(t, 50)
	mails, c := a.mails, a.clock
	for _, r := range []*rig{a, b} {
		r.deliverer.Now = func() time.Time { return c.now().Add(time.Second) }
		startJobs(t, r)
	}
	a.allWet(ids)
	for deadline := time.Now().Add(30 * time.Second); len(mails.all()) < len(ids) && time.Now().Before(deadline); {
		time.Sleep(5 * time.Millisecond)
	}
	c.advance(10 * time.Minute)
	a.deliver()
	if got := len(mails.all()); got != len(ids) {
		t.Errorf("%d mails from two instances, want %d", got, len(ids))
	}
}

// Two instances at work at once, and a mail server that is down for a day: no
// mail is lost, and none comes twice.
func TestTwoInstancesAndAServerDownForADay(t *testing.T) {
	t.Parallel()
	a, b, ids := twoInstances(t, 12)
	mails, c := a.mails, a.clock
	mails.spoil(func(string, string, int) error { return &smtp.SMTPError{Code: 421, Message: "down for maintenance"} })
	a.allWet(ids)
	both := func() {
		var wg sync.WaitGroup
		for _, r := range []*rig{a, b} {
			wg.Go(func() { r.deliver() })
		}
		wg.Wait()
	}
	both()
	for range 24 {
		c.advance(time.Hour)
		both()
	}
	if got := len(mails.all()); got != 0 {
		t.Fatalf("%d mails through a server that is down", got)
	}
	mails.spoil(nil)
	for range 4 {
		c.advance(time.Hour)
		both()
	}
	to := map[string]int{}
	for _, m := range mails.all() {
		to[m.To]++
	}
	for _, id := range ids {
		if to["owner-"+id+"@example.org"] != 1 {
			t.Errorf("%s: %d mails", id, to["owner-"+id+"@example.org"])
		}
	}
	if len(to) != len(ids) {
		t.Errorf("mails to %d addresses, want %d", len(to), len(ids))
	}
}

// From the alarm's transaction to the mail server's 250, when a thousand houses
// raise one at the same moment. Reported in seconds, not asserted.
func BenchmarkThousandAlarms(b *testing.B) {
	n := 1000
	if testing.Short() {
		n = 200
	}
	for b.Loop() {
		b.StopTimer()
		mails := newMailServer(b)
		r := rigOn(b, pgtest.New(b, migrateTemplate), &clock{at: time.Now().UTC().Truncate(time.Second)}, mails)
		r.deliverer.Now, r.planner.Now = time.Now, time.Now
		var between window
		r.deliverer.fault = between.step
		r.manager("Mara", "")
		ids := houses(n)
		r.register(ids...)
		now := time.Now().UTC()
		var all []store.Delivery
		for _, id := range ids {
			all = append(all, store.Delivery{Property: id, Gateway: "main", Received: now, Readings: []store.Reading{
				{Point: "floor", Quantity: site.Leak, At: now.Add(-2 * time.Minute).Truncate(time.Second), Value: 1},
				{Point: "north-bay", Quantity: site.RH, At: now.Truncate(time.Second), Value: 50}}})
		}
		startJobs(b, r)
		ctx, stop := context.WithCancel(b.Context())
		done := make(chan struct{})
		go r.store.KeepRegional(ctx, nil)
		go func() { r.store.RunEvaluators(ctx, 2, nil); close(done) }()
		b.StartTimer()
		began := time.Now()
		if _, err := r.store.Record(ctx, all); err != nil {
			b.Fatal(err)
		}
		for deadline := time.Now().Add(time.Minute); len(owners(mails.all())) < n && time.Now().Before(deadline); {
			time.Sleep(5 * time.Millisecond)
		}
		b.StopTimer()
		stop()
		<-done
		report(b, r, mails.all(), began, n)
		between.report(b)
		b.StartTimer()
	}
}

func owners(all []taken) []taken {
	var out []taken
	for _, m := range all {
		if strings.HasPrefix(m.To, "owner-") {
			out = append(out, m)
		}
	}
	return out
}

func report(b *testing.B, r *rig, all []taken, began time.Time, n int) {
	b.Helper()
	created := map[string]time.Time{}
	for _, x := range r.notices() {
		if x.Purpose == store.ToldAlarm {
			created[x.Recipient] = x.CreatedAt
		}
	}
	var fromAlarm, fromReading []float64
	for _, m := range owners(all) {
		fromAlarm = append(fromAlarm, m.At.Sub(created[m.To]).Seconds())
		fromReading = append(fromReading, m.At.Sub(began).Seconds())
	}
	if len(fromAlarm) != n {
		b.Fatalf("%d mails, want %d", len(fromAlarm), n)
	}
	slices.Sort(fromAlarm)
	slices.Sort(fromReading)
	b.ReportMetric(fromAlarm[n/2], "alarm-p50-s")
	b.ReportMetric(fromAlarm[n*99/100], "alarm-p99-s")
	b.ReportMetric(fromReading[n*99/100], "reading-p99-s")
}

// window measures the time between a server's answer and the commit that notes
// it: the only one in which a crash makes a mail go out twice.
type window struct {
	mu    sync.Mutex
	taken map[int64]time.Time
	took  []time.Duration
}

func (w *window) step(step string, delivery int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch at, ok := w.taken[delivery]; {
	case step == "taken":
		if w.taken == nil {
			w.taken = map[int64]time.Time{}
		}
		w.taken[delivery] = time.Now()
	case step == "noted" && ok:
		w.took = append(w.took, time.Since(at))
		delete(w.taken, delivery)
	}
}

func (w *window) report(b *testing.B) {
	b.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	slices.Sort(w.took)
	b.ReportMetric(w.took[len(w.took)/2].Seconds()*1e3, "note-p50-ms")
	b.ReportMetric(w.took[len(w.took)*99/100].Seconds()*1e3, "note-p99-ms")
}
