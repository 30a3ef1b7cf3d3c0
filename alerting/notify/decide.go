package notify

import (
	"time"

	"underkeep/alerting"
	"underkeep/store"
)

// verdict is what is to be done about a delivery now.
type verdict struct {
	do    deed
	why   string
	until time.Time // for wait
	late  bool      // tell, and say that it is over
}

type deed uint8

const (
	tell   deed = iota + 1
	drop        // it need not be told any more
	wait        // ask again at until
	gather      // tell it with others
)

// lateFor is how long after its end an alarm is still worth telling of, if it
// was one of high priority and the message could not go out before.
const lateFor = 48 * time.Hour

// decide judges a delivery about a call-out by how the call-out stands now. Jobs
// come in no order and late, so what was true when the delivery was enqueued may
// not be any more.
func decide(n *store.Notice, alarms []store.AlarmRecord, siblings []store.Notice, now time.Time) verdict {
	switch n.Purpose {
	case store.ToldAlarm:
		return decideAlarm(n, alarms, siblings, now)
	case store.ToldReturn:
		return decideReturn(n, alarms, siblings, now)
	case store.ToldCorrection:
		return decideAfter(n, siblings, now)
	}
	return verdict{do: tell}
}

// sum is how the alarms of a call-out stand together.
type sum struct {
	holding, told, unseen int
	highest               alerting.Priority // of those that hold
	ever                  alerting.Priority
	overAt                time.Time // of the last to end
}

func sumUp(alarms []store.AlarmRecord) sum {
	var s sum
	for i := range alarms {
		a := &alarms[i]
		if !a.WithdrawnAt.IsZero() {
			continue
		}
		s.told++
		s.ever = max(s.ever, a.Priority)
		if !a.ClearedAt.IsZero() {
			if a.ClearedAt.After(s.overAt) {
				s.overAt = a.ClearedAt
			}
			continue
		}
		if a.State == store.StateShelved || a.State == store.StateOutOfService {
			continue
		}
		s.holding++
		s.highest = max(s.highest, a.Priority)
		if a.AcknowledgedAt.IsZero() {
			s.unseen++
		}
	}
	return s
}

func decideAlarm(n *store.Notice, alarms []store.AlarmRecord, siblings []store.Notice, now time.Time) verdict {
	s := sumUp(alarms)
	switch {
	case s.told == 0:
		return verdict{do: drop, why: "withdrawn before it was told"}
	case s.holding == 0 && n.Step > 0:
		return verdict{do: drop, why: "over before the escalation"}
	case s.holding == 0:
		if s.ever < alerting.High || now.Sub(s.overAt) > lateFor {
			return verdict{do: drop, why: "over before it was told"}
		}
		return verdict{do: tell, late: true}
	case s.unseen == 0 && (n.Step > 0 || n.Audience != "owner"):
		return verdict{do: drop, why: "acknowledged before it was told"}
	}
	for i := range siblings {
		x := &siblings[i]
		if x.Purpose == n.Purpose && x.Round == n.Round && x.Step == n.Step && x.Level > n.Level {
			return verdict{do: drop, why: "told with a higher priority"}
		}
	}
	if digest(n) {
		return verdict{do: gather}
	}
	return verdict{do: tell}
}

// decideReturn closes a thread that was begun, and only then.
func decideReturn(n *store.Notice, alarms []store.AlarmRecord, siblings []store.Notice, now time.Time) verdict {
	s := sumUp(alarms)
	if s.holding > 0 {
		return verdict{do: drop, why: "holds again"}
	}
	v := decideAfter(n, siblings, now)
	if v.do != tell {
		return v
	}
	for i := range siblings {
		// A message that went out after the end has said so itself.
		if x := &siblings[i]; beganThread(x, n) && x.State == store.NoticeSent && x.DoneAt.Before(n.CreatedAt) {
			return v
		}
	}
	return verdict{do: drop, why: "told with the alarm"}
}

// decideAfter: somebody who was never told of the alarm need not hear how it ended.
func decideAfter(n *store.Notice, siblings []store.Notice, now time.Time) verdict {
	told := false
	for i := range siblings {
		x := &siblings[i]
		if !beganThread(x, n) {
			continue
		}
		switch x.State {
		case store.NoticeSending:
			return verdict{do: wait, until: now.Add(5 * time.Second)}
		case store.NoticeWaiting:
			if x.Step == 0 && !digest(x) && x.Attempts == 0 && x.DueAt.Before(now.Add(time.Hour)) {
				return verdict{do: wait, until: latest(x.DueAt, now).Add(5 * time.Second)}
			}
			if x.Attempts > 0 { // it may have arrived: an attempt was cut short
				return verdict{do: wait, until: latest(x.DueAt, now).Add(5 * time.Second)}
			}
		case store.NoticeSent:
			told = true
		}
	}
	if !told {
		return verdict{do: drop, why: "nobody was told of the alarm"}
	}
	return verdict{do: tell}
}

func beganThread(x, n *store.Notice) bool { return x.Purpose == store.ToldAlarm && x.Round == n.Round }

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// retryAfter is when to try again after the nth attempt. Greylisting servers
// want five minutes or less; after an hour's trying it is the server that is
// down, and once an hour will do.
func retryAfter(attempt int) time.Duration {
	delays := []time.Duration{30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 20 * time.Minute, 30 * time.Minute}
	if attempt < 1 || attempt > len(delays) {
		return time.Hour
	}
	return delays[attempt-1]
}
