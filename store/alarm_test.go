package store

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/store/site"
)

// given writes an alarm as the evaluator would, and returns its id.
func given(tb testing.TB, s *Store, property string, no int32, a alerting.Alarm) string {
	tb.Helper()
	p, ok := s.Registry().Property(property)
	if !ok {
		tb.Fatalf("no property %s", property)
	}
	if a.Condition == "" {
		a.Condition = site.HumidityHigh
	}
	if a.Priority == 0 {
		a.Priority = alerting.Medium
	}
	if a.RaisedAt.IsZero() {
		a.RaisedAt = humid
	}
	a.KnownAt = a.RaisedAt
	w := alarmWrite{num: p.Num, no: no, alarm: a}
	if _, err := s.owner.Exec(tb.Context(), alarmSQL, w.args(testNow)...); err != nil {
		tb.Fatal(err)
	}
	return AlarmID(property, no)
}

func stateOf(tb testing.TB, s *Store, id string, now time.Time) AlarmState {
	tb.Helper()
	a, err := s.Alarm(tb.Context(), AllProperties, id, now)
	if err != nil {
		tb.Fatal(err)
	}
	return a.State
}

// The states and what leads from one to the other follow IEC 62682, clause on
// the alarm state transition diagram (from memory).
func TestAlarmStates(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	ctx, now := t.Context(), testNow
	id := given(t, s, "heron-07", 1, alerting.Alarm{Point: "north-bay"})
	answer := Answer{Scope: AllProperties, Alarm: id, By: "Kim", Why: "on my way", Now: now}
	steps := []struct {
		do   func() error
		at   time.Time
		want AlarmState
	}{
		{func() error { return nil }, now, StateUnacknowledged},
		{func() error { return s.Shelve(ctx, answer, now.Add(time.Hour)) }, now, StateShelved},
		{func() error { return nil }, now.Add(time.Hour), StateUnacknowledged}, // ran out
		{func() error { return s.Unshelve(ctx, answer) }, now, StateUnacknowledged},
		{func() error { return s.Acknowledge(ctx, answer) }, now, StateAcknowledged},
		{func() error { return s.Acknowledge(ctx, answer) }, now, StateAcknowledged},
		{func() error { return s.TakeOutOfService(ctx, answer) }, now.AddDate(1, 0, 0), StateOutOfService},
		{func() error { return s.Unshelve(ctx, answer) }, now, StateOutOfService},
		{func() error { return s.ReturnToService(ctx, answer) }, now, StateAcknowledged},
	}
	for i, step := range steps {
		if err := step.do(); err != nil {
			t.Fatalf("step %d: %v", i, err)
		}
		if got := stateOf(t, s, id, step.at); got != step.want {
			t.Errorf("step %d: %s, want %s", i, got, step.want)
		}
	}
	journal, err := s.Journal(ctx, AllProperties, id)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, e := range journal {
		lines = append(lines, e.Kind+" by "+e.Actor)
	}
	// Only what changed something is an entry.
	want := []string{"shelved by Kim", "unshelved by Kim", "acknowledged by Kim", "out-of-service by Kim", "returned-to-service by Kim"}
	if diff := cmp.Diff(want, lines); diff != "" {
		t.Error(diff)
	}
	if !strings.Contains(string(journal[2].Alarm), `"acknowledged_by": "Kim"`) {
		t.Errorf("entry %s does not show the alarm as it then stood", journal[2].Alarm)
	}
}

func TestAlarmStatesOfOthers(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	cleared := humid.Add(time.Hour)
	for i, c := range []struct {
		alarm alerting.Alarm
		want  AlarmState
	}{
		{alerting.Alarm{ClearedAt: cleared}, StateReturned},
		{alerting.Alarm{SuppressedBy: site.MainsLost}, StateSuppressedByDesign},
		{alerting.Alarm{SuppressedBy: site.MainsLost, ClearedAt: cleared}, StateNormal},
		{alerting.Alarm{WithdrawnAt: testNow, WithdrawnWhy: "late data"}, StateNormal},
	} {
		c.alarm.Point = fmt.Sprintf("p%d", i)
		id := given(t, s, "heron-07", int32(i+1), c.alarm)
		if got := stateOf(t, s, id, testNow); got != c.want {
			t.Errorf("%+v: %s, want %s", c.alarm, got, c.want)
		}
	}
	returned := AlarmID("heron-07", 1)
	if err := s.Acknowledge(t.Context(), Answer{Scope: AllProperties, Alarm: returned, By: "Kim", Now: testNow}); err != nil {
		t.Fatal(err)
	}
	if got := stateOf(t, s, returned, testNow); got != StateNormal {
		t.Errorf("cleared and acknowledged: %s", got)
	}
}

func TestAnswersThatAreRefused(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	id := given(t, s, "heron-07", 1, alerting.Alarm{})
	quiet := given(t, s, "heron-07", 2, alerting.Alarm{Condition: site.DehumidifierIdle, SuppressedBy: site.MainsLost})
	a := Answer{Scope: AllProperties, Alarm: id, By: "Kim", Why: "w", Now: testNow}
	with := func(f func(*Answer)) Answer { b := a; f(&b); return b }
	ctx := t.Context()
	for name, c := range map[string]struct{ got, want error }{
		"unknown":        {s.Acknowledge(ctx, with(func(b *Answer) { b.Alarm = "heron-07.9" })), ErrNotFound},
		"not an id":      {s.Acknowledge(ctx, with(func(b *Answer) { b.Alarm = "9" })), ErrNotFound},
		"not theirs":     {s.Acknowledge(ctx, with(func(b *Answer) { b.Scope = Scope{Properties: []string{"gull-02"}} })), ErrNotFound},
		"by nobody":      {s.Acknowledge(ctx, with(func(b *Answer) { b.By = "" })), ErrInvalid},
		"never told":     {s.Acknowledge(ctx, with(func(b *Answer) { b.Alarm = quiet })), ErrConflict},
		"no reason":      {s.Shelve(ctx, with(func(b *Answer) { b.Why = "" }), testNow.Add(time.Hour)), ErrInvalid},
		"past":           {s.Shelve(ctx, a, testNow), ErrInvalid},
		"for ever":       {s.Shelve(ctx, a, testNow.AddDate(1, 0, 0)), ErrInvalid},
		"out, no reason": {s.TakeOutOfService(ctx, with(func(b *Answer) { b.Why = "" })), ErrInvalid},
	} {
		if !errors.Is(c.got, c.want) {
			t.Errorf("%s: %v, want %v", name, c.got, c.want)
		}
	}
	if n := count(t, s, `SELECT count(*) FROM alarm_journal`); n != 0 {
		t.Errorf("%d entries for what was refused", n)
	}
}

// Shelving covers the condition at the point: the next episode too.
func TestShelvingCoversTheNextEpisode(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	first := given(t, s, "heron-07", 1, alerting.Alarm{Point: "north-bay"})
	a := Answer{Scope: AllProperties, Alarm: first, By: "Kim", Why: "painting", Now: testNow}
	if err := s.Shelve(t.Context(), a, testNow.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	given(t, s, "heron-07", 1, alerting.Alarm{Point: "north-bay", ClearedAt: testNow})
	second := given(t, s, "heron-07", 2, alerting.Alarm{Point: "north-bay", RaisedAt: testNow})
	other := given(t, s, "heron-07", 3, alerting.Alarm{Point: "south-bay", RaisedAt: testNow})
	if got := stateOf(t, s, second, testNow); got != StateShelved {
		t.Errorf("next episode: %s", got)
	}
	if got := stateOf(t, s, other, testNow); got != StateUnacknowledged {
		t.Errorf("at another point: %s", got)
	}
}

func TestJournalIsAppendOnly(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	id := given(t, s, "heron-07", 1, alerting.Alarm{})
	if err := s.Acknowledge(t.Context(), Answer{Scope: AllProperties, Alarm: id, By: "Kim", Now: testNow}); err != nil {
		t.Fatal(err)
	}
	for _, sql := range []string{`UPDATE alarm_journal SET actor = 'x'`, `DELETE FROM alarm_journal`, `TRUNCATE alarm_journal`} {
		if _, err := s.owner.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s: done", sql)
		}
	}
}

// The database refuses what cannot be, whoever writes it.
func TestChecksRefuseNonsense(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	given(t, s, "heron-07", 1, alerting.Alarm{})
	for _, sql := range []string{
		`INSERT INTO readings VALUES (1, 0, 0, now(), 'NaN', now())`,
		`INSERT INTO readings VALUES (1, 0, 0, now(), 'Infinity', now())`,
		`INSERT INTO readings VALUES (1, 0, 0, now(), '-Infinity', now())`,
		`INSERT INTO readings VALUES (0, 0, 0, now(), 1, now())`,
		`INSERT INTO readings VALUES (1, 0, 0, now(), 1, now(), false)`,
		`INSERT INTO property (name, title, timezone, accepts_from) VALUES ('Not ok', 'x', 'UTC', now())`,
		`UPDATE alarm SET priority = 5`,
		`UPDATE alarm SET cleared_at = raised_at - interval '1 s'`,
		`UPDATE alarm SET acknowledged_at = now()`,
		`UPDATE alarm SET withdrawn_at = now()`,
		`INSERT INTO alarm (property_id, alarm_no, condition, priority, raised_at, known_at, changed_at)
			SELECT property_id, 2, condition, priority, raised_at, known_at, changed_at FROM alarm`, // a second open one
		`INSERT INTO alarm_hold VALUES (1, 'leak', '', 'shelved', NULL, 'r', 'b', now())`,
		`INSERT INTO alarm_hold VALUES (1, 'leak', '', 'out-of-service', now() + interval '1 h', 'r', 'b', now())`,
		`INSERT INTO token (secret_sha256, name, role, all_properties, created_by) VALUES ('\x00', 'n', 'manager', true, 'b')`,
		`UPDATE evaluation SET state = '\x00'`,
		`UPDATE evaluation SET failures = 1`,
		`INSERT INTO series VALUES (1, 900, 'Not ok', 1)`,
		`INSERT INTO deaf VALUES (now(), now())`,
	} {
		if _, err := s.owner.Exec(t.Context(), sql); err == nil {
			t.Errorf("accepted: %s", sql)
		} else if k := classify(err); k != failRow && k != failDuplicate {
			t.Errorf("refused for another reason: %s: %v", sql, err)
		}
	}
}

func TestAlarmsPageAndFilter(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "gull-02")
	for i := range 25 {
		property := []string{"heron-07", "gull-02"}[i%2]
		a := alerting.Alarm{Point: fmt.Sprintf("p%d", i), RaisedAt: humid.Add(time.Duration(i/3) * time.Minute),
			Causes:          []alerting.Cause{{Cause: "rain", Evidence: []string{"12 mm"}}},
			PriorityChanges: []alerting.PriorityChange{{At: humid.Add(time.Hour), Priority: alerting.High}}, Remarks: []string{"r"}}
		if i%5 == 0 {
			a.ClearedAt = humid.Add(2 * time.Hour)
		}
		given(t, s, property, int32(i+1), a)
	}
	seen := map[string]bool{}
	var last time.Time
	q := AlarmQuery{Scope: AllProperties, Limit: 4, Now: testNow}
	for pages := 1; ; pages++ {
		page, next, err := s.Alarms(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range page {
			if seen[a.ID] {
				t.Errorf("%s twice", a.ID)
			}
			if !last.IsZero() && a.RaisedAt.After(last) {
				t.Errorf("%s out of order", a.ID)
			}
			seen[a.ID], last = true, a.RaisedAt
		}
		if next == "" {
			if pages != 7 {
				t.Errorf("%d pages, want 7", pages)
			}
			break
		}
		q.Cursor = next
	}
	if len(seen) != 25 {
		t.Errorf("%d alarms, want 25", len(seen))
	}
	for name, c := range map[string]struct {
		q    AlarmQuery
		want int
	}{
		"returned":  {AlarmQuery{Scope: AllProperties, States: []AlarmState{StateReturned}}, 5},
		"open":      {AlarmQuery{Scope: AllProperties, States: []AlarmState{StateUnacknowledged, StateAcknowledged}}, 20},
		"standing":  {AlarmQuery{Scope: AllProperties, Standing: true}, 25},
		"property":  {AlarmQuery{Scope: AllProperties, Property: "gull-02"}, 12},
		"scope":     {AlarmQuery{Scope: Scope{Properties: []string{"gull-02"}}}, 12},
		"no scope":  {AlarmQuery{}, 0},
		"condition": {AlarmQuery{Scope: AllProperties, Condition: site.LeakAlarm}, 0},
		"span":      {AlarmQuery{Scope: AllProperties, From: humid.Add(time.Minute), To: humid.Add(3 * time.Minute)}, 6},
	} {
		c.q.Now = testNow
		if page, _, err := s.Alarms(t.Context(), c.q); err != nil || len(page) != c.want {
			t.Errorf("%s: %d alarms, %v; want %d", name, len(page), err, c.want)
		}
	}
	if _, _, err := s.Alarms(t.Context(), AlarmQuery{Scope: AllProperties, Cursor: "nonsense!"}); !errors.Is(err, ErrInvalid) {
		t.Errorf("a made-up cursor: %v", err)
	}
	a, err := s.Alarm(t.Context(), AllProperties, "heron-07.1", testNow)
	if err != nil {
		t.Fatal(err)
	}
	want := alerting.Alarm{Property: "heron-07", Condition: site.HumidityHigh, Point: "p0", Priority: alerting.Medium, RaisedAt: humid, KnownAt: humid,
		ClearedAt: humid.Add(2 * time.Hour), Causes: []alerting.Cause{{Cause: "rain", Evidence: []string{"12 mm"}}}, Remarks: []string{"r"},
		PriorityChanges: []alerting.PriorityChange{{At: humid.Add(time.Hour), Priority: alerting.High}}}
	if diff := cmp.Diff(want, a.Alarm); diff != "" {
		t.Error(diff)
	}
}

func TestParseAlarmID(t *testing.T) {
	t.Parallel()
	for id, want := range map[string]bool{"heron-07.12": true, "heron-07.0": false, "heron-07": false, ".1": false, "heron-07.012": false,
		"heron-07.-1": false, "Heron.1": false, "heron-07.99999999999": false, "a.1.2": false} {
		if _, _, ok := ParseAlarmID(id); ok != want {
			t.Errorf("%q: %v, want %v", id, ok, want)
		}
	}
}

func TestEscalationAsksForANewAcknowledgement(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	start := humid.Add(-24 * time.Hour)
	record(t, s, airing("heron-07", start, start.Add(8*time.Hour), constant(75)))
	evaluateAll(t, s, start.Add(8*time.Hour))
	a := alarms(t, s, AlarmQuery{Condition: site.HumidityHigh})[0]
	if err := s.Acknowledge(t.Context(), Answer{Scope: AllProperties, Alarm: a.ID, By: "Kim", Now: testNow}); err != nil {
		t.Fatal(err)
	}
	record(t, s, airing("heron-07", start.Add(8*time.Hour), start.Add(20*time.Hour), constant(75)))
	evaluateAll(t, s, start.Add(20*time.Hour))
	if got := stateOf(t, s, a.ID, testNow); got != StateAcknowledged {
		t.Errorf("before it rises: %s", got)
	}
	// By the contract: high priority when > 70 % sustained 24 h.
	record(t, s, airing("heron-07", start.Add(20*time.Hour), start.Add(26*time.Hour), constant(75)))
	evaluateAll(t, s, start.Add(26*time.Hour))
	a, err := s.Alarm(t.Context(), AllProperties, a.ID, testNow)
	if err != nil {
		t.Fatal(err)
	}
	if a.Priority != alerting.High || a.State != StateUnacknowledged {
		t.Errorf("risen: %s, %s", a.Priority, a.State)
	}
}
