package notify

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"underkeep/alerting/notify/send"
	"underkeep/alerting/notify/words"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// lastMonthRig begins in the middle of the month before the present one, of which
// test databases have partitions.
func lastMonthRig(t *testing.T) *rig {
	t.Helper()
	y, m, _ := time.Now().UTC().Date()
	return rigOn(t, pgtest.New(t, migrateTemplate), &clock{at: time.Date(y, m-1, 14, 15, 0, 0, 0, time.UTC)}, newMailServer(t))
}

// oneLine is the text of a mail without its line breaks.
func oneLine(t *testing.T, m taken) string {
	t.Helper()
	return strings.Join(strings.Fields(partsOf(t, m.Raw)["text/plain"]), " ")
}

func (r *rig) mailsTo(address string) []taken {
	var out []taken
	for _, m := range r.mails.all() {
		if m.To == address {
			out = append(out, m)
		}
	}
	return out
}

func holds(t *testing.T, what, text string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("%s: no %q in %s", what, w, text)
		}
	}
}

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// repaired is an alarm, its acknowledgement, and the visit that answered it.
func (r *rig) repaired(t *testing.T, house string) {
	t.Helper()
	r.wet(house, "floor", site.Leak)
	r.deliver()
	now := r.clock.now()
	if err := r.store.Acknowledge(t.Context(), store.Answer{Scope: store.AllProperties, Alarm: house + ".1", By: "Mara", Now: now}); err != nil {
		t.Fatal(err)
	}
	w := func() store.VisitWrite {
		return store.VisitWrite{Scope: store.AllProperties, By: "L. Marsh", Now: r.clock.now()}
	}
	id := must[store.Written](t)(r.store.PlanVisit(t.Context(), w(), visit.Plan{Property: house, Kind: visit.Repair})).Visit
	must[store.Written](t)(r.store.StartVisit(t.Context(), w(), id, visit.Start{}))
	r.clock.advance(time.Hour)
	must[store.Written](t)(r.store.AddPart(t.Context(), w(), id, visit.Part{Part: "shut-off valve", Pieces: 1}))
	must[store.Written](t)(r.store.SignOff(t.Context(), w(), id, visit.Findings{Findings: "Valve under the sink dripped.", Work: []visit.Work{visit.WorkSump}}))
	r.dry(house, "floor", site.Leak)
}

// The owner's month as it arrives on the first of the next, at nine by the clock
// of the house: in words, with the chart, what happened and what was done, who
// was there, and the checkpoint of the evidence log. It comes once.
func TestTheOwnersMonthArrives(t *testing.T) {
	t.Parallel()
	r := lastMonthRig(t)
	r.register("heron-07")
	const checkpoint = "log.skerry.example/1\n123\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n— log.skerry.example/1 abc=\n"
	r.deliverer.Anchor = func(context.Context) (string, error) { return checkpoint, nil }
	if err := r.deliverer.Summaries(t.Context()); err != nil {
		t.Fatal(err)
	}
	for h := range 48 {
		r.reads("heron-07", "north-bay", site.RH, r.clock.now().Add(time.Duration(h-48)*time.Hour), 50+float64(h%12)*1.5)
	}
	r.repaired(t, "heron-07")
	r.settle(time.Minute)
	const owner = "owner-heron-07@example.org"
	before := len(r.mailsTo(owner))

	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	begun := r.clock.now()
	first := time.Date(begun.Year(), begun.Month()+1, 1, 9, 0, 0, 0, zone)
	arrives := func(at time.Time) int {
		t.Helper()
		r.clock.advance(at.Sub(r.clock.now()))
		for range 2 {
			if err := r.deliverer.Summaries(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		r.deliver()
		return len(r.mailsTo(owner)) - before
	}
	if n := arrives(first.Add(-time.Minute)); n != 0 {
		t.Fatalf("%d mails before it is due", n)
	}
	if n := arrives(first); n != 1 {
		t.Fatalf("%d mails when it is due\n%s", n, r.summary())
	}
	m := r.mailsTo(owner)[before]
	month := words.Month(words.English, begun.In(zone))
	holds(t, "subject", m.Head.Get("Subject"), "Your house in "+month+": Cottage heron-07")
	holds(t, "text", oneLine(t, m), "Relative humidity: ", "Above 60 %RH for ", "A leak sensor under your house is wet. (over", "Acknowledged by Mara",
		"repair.", "new: shut-off valve", "Found: Valve under the sink dripped.", "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=", "no life-safety system")
	if parts := partsOf(t, m.Raw); parts["image/png"] == "" || !strings.Contains(parts["text/html"], "cid:"+words.ChartID) {
		t.Error("no chart")
	}
	if !strings.Contains(strings.ReplaceAll(partsOf(t, m.Raw)["text/plain"], "\r\n", "\n"), strings.TrimRight(checkpoint, "\n")) {
		t.Error("the checkpoint is not line by line as it stands")
	}
	if n := arrives(first.Add(2 * time.Hour)); n != 1 {
		t.Errorf("%d mails after that", n)
	}
}

// The manager's week as it arrives on Monday at nine.
func TestTheManagersWeekArrives(t *testing.T) {
	t.Parallel()
	r := lastMonthRig(t)
	r.register("heron-07", "heron-08")
	r.manager("Mara", "")
	var asked time.Time
	r.deliverer.Service = func(_ context.Context, at time.Time, l words.Lang) (due, checks []string, err error) {
		asked = at
		return []string{words.ServiceLine(l, "Cottage heron-07", visit.Due{Task: visit.TaskFilter, Days: -3})},
			[]string{words.ServiceLine(l, "Cottage heron-08", visit.Due{Task: visit.TaskSensorCheck, Days: 5})}, nil
	}
	if err := r.deliverer.Summaries(t.Context()); err != nil {
		t.Fatal(err)
	}
	// Tuesday, so that the week before next Monday has it all.
	for r.clock.now().Weekday() != time.Tuesday {
		r.clock.advance(24 * time.Hour)
		if err := r.deliverer.Summaries(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	r.deliver()
	before := len(r.mailsTo("mara@skerry.example"))
	r.wet("heron-07", "floor", site.Leak)
	r.wet("heron-07", "sump", site.HighWater)
	r.wet("heron-08", "floor", site.Leak)
	r.settle(time.Minute)
	told := len(r.mailsTo("mara@skerry.example")) - before
	if told == 0 {
		t.Fatalf("no alarm was told\n%s", r.summary())
	}
	r.clock.advance(6 * 24 * time.Hour)
	if err := r.deliverer.Summaries(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.deliver()
	var weeks []taken
	for _, m := range r.mailsTo("mara@skerry.example")[before:] {
		if strings.HasPrefix(m.Head.Get("Subject"), "The week from ") {
			weeks = append(weeks, m)
		}
	}
	if len(weeks) != 1 {
		t.Fatalf("%d weekly mails\n%s", len(weeks), r.summary())
	}
	holds(t, "text", oneLine(t, weeks[0]), "3 alarms in ", "at 2 properties", "Cottage heron-07: 2", "filter of the dehumidifier, 3 days overdue",
		"Cottage heron-08: check of the sensors, due in 5 days", "quarantine that nobody has dealt with: 0")
	if asked.Weekday() != time.Monday {
		t.Errorf("the service plan was asked for %s", asked)
	}
}

// A pump that seems not to stop, and a finished run that comes late and was short:
// whoever was told is told that it was wrong, in the same thread.
func TestCorrectionArrives(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07")
	at := r.clock.now().Add(-12 * time.Minute)
	r.reads("heron-07", "sump", site.PumpOn, at, 1)
	r.reads("heron-07", "north-bay", site.RH, r.clock.now(), 50)
	r.evaluate()
	r.deliver()
	first := r.mailsTo("owner-heron-07@example.org")
	if len(first) != 1 {
		t.Fatalf("%d mails about the pump\n%s", len(first), r.summary())
	}
	r.clock.advance(time.Minute)
	r.reads("heron-07", "sump", site.PumpRun, at, 45)
	r.reads("heron-07", "sump", site.PumpOn, at.Add(45*time.Second), 0)
	r.reads("heron-07", "north-bay", site.RH, r.clock.now(), 50)
	r.evaluate()
	r.settle(2 * time.Minute)
	all := r.mailsTo("owner-heron-07@example.org")
	if len(all) != 2 {
		t.Fatalf("%d mails\n%s", len(all), r.summary())
	}
	holds(t, "correction", all[1].Head.Get("Subject"), "Correction: ")
	holds(t, "correction", oneLine(t, all[1]), "it was wrong")
	if id := first[0].Head.Get("Message-Id"); all[1].Head.Get("In-Reply-To") != id {
		t.Errorf("in reply to %q, want %q", all[1].Head.Get("In-Reply-To"), id)
	}
}

// Neighbouring houses that lose their power within minutes are one message to the
// manager, which names the event; each owner hears of their own house.
func TestRegionalEventIsOneMessage(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.manager("Mara", "")
	ids := houses(20)
	for i, id := range ids {
		file := strings.Replace(houseFile(id), "owner:", "location: {lat: "+decimal(34.2+0.001*float64(i))+", lon: -77.9}\nowner:", 1)
		r.registerFile(id, file)
	}
	if err := r.store.RefreshRegistry(t.Context()); err != nil {
		t.Fatal(err)
	}
	for i, id := range ids {
		now := r.clock.now()
		r.reads(id, "power", site.Mains, now.Add(-6*time.Minute-time.Duration(i)*time.Second), 0)
		r.reads(id, "north-bay", site.RH, now, 50)
	}
	r.evaluate()
	if _, _, err := r.store.JoinRegional(t.Context(), r.clock.now()); err != nil {
		t.Fatal(err)
	}
	r.deliver()
	r.settle(5 * time.Minute)
	managers := r.mailsTo("mara@skerry.example")
	if len(managers) != 1 {
		t.Fatalf("%d mails to the manager, want one\n%s", len(managers), r.summary())
	}
	holds(t, "subject", managers[0].Head.Get("Subject"), "Alarms at 20 houses")
	holds(t, "text", oneLine(t, managers[0]), "Cottage heron-0007: No power", "One cause over several houses")
	for _, id := range ids {
		if n := len(r.mailsTo("owner-" + id + "@example.org")); n != 1 {
			t.Errorf("%d mails to the owner of %s", n, id)
		}
	}
}

// receiver is a webhook that checks every signature with the reference library.
type receiver struct {
	mu     sync.Mutex
	status int
	got    []string // types
	ids    map[string]int
	wrong  []string
}

// What a program is told, from the change of an alarm to its door: each event
// once, signed, in order; refused for a while it comes again with the same id;
// after a 410 nothing comes any more.
func TestWebhookEventsArrive(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07")
	in := &receiver{status: http.StatusServiceUnavailable, ids: map[string]int{}}
	var secret string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, _ := io.ReadAll(req.Body)
		in.mu.Lock()
		defer in.mu.Unlock()
		hook, err := standardwebhooks.NewWebhook(secret)
		if err == nil {
			err = hook.VerifyIgnoringTimestamp(body, req.Header)
		}
		if err != nil {
			in.wrong = append(in.wrong, err.Error())
		}
		in.ids[req.Header.Get("Webhook-Id")]++
		if in.status < 300 {
			var e Event
			if err := json.Unmarshal(body, &e); err != nil {
				in.wrong = append(in.wrong, err.Error())
			}
			in.got = append(in.got, e.Type)
		}
		w.WriteHeader(in.status)
	}))
	defer srv.Close()
	hook := must[store.Webhook](t)(r.store.AddWebhook(t.Context(), "desk", srv.URL, "test", r.clock.now()))
	secret = send.Secret(hook.Secret)
	answer := func(status int) {
		in.mu.Lock()
		defer in.mu.Unlock()
		in.status = status
	}

	r.wet("heron-07", "floor", site.Leak)
	r.deliver()
	answer(http.StatusOK)
	r.settle(2 * time.Minute)
	r.dry("heron-07", "floor", site.Leak)
	r.settle(time.Minute)
	in.mu.Lock()
	if diff := cmp.Diff([]string{"alarm.raised", "alarm.cleared"}, in.got); diff != "" || len(in.wrong) > 0 || len(in.ids) != 2 {
		t.Errorf("%s\nwrong: %v, ids: %v\n%s", diff, in.wrong, in.ids, r.summary())
	}
	in.mu.Unlock()
	answer(http.StatusGone)
	r.wet("heron-07", "sump", site.HighWater)
	r.deliver()
	tried := len(in.ids)
	r.dry("heron-07", "sump", site.HighWater)
	r.settle(time.Hour)
	if len(in.ids) != tried {
		t.Errorf("%d events after a 410", len(in.ids)-tried)
	}
	list := must[[]store.Webhook](t)(r.store.Webhooks(t.Context()))
	if len(list) != 1 || list[0].Disabled.IsZero() {
		t.Errorf("the webhook is not disabled: %+v", list)
	}
}
