package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// AlarmAnswer is one thing that somebody did about an alarm.
type AlarmAnswer struct {
	Alarm string // id
	At    time.Time
	Kind  string
	By    string
	Why   string
}

// AlarmAnswers are what people did about the alarms of a property that were
// raised before to and, where they are over, ended after from; oldest first.
func (s *Store) AlarmAnswers(ctx context.Context, scope Scope, property string, from, to time.Time) ([]AlarmAnswer, error) {
	if !scope.Sees(property) {
		return nil, notFound("property %s", property)
	}
	return collect(ctx, s.api, "answers to alarms of "+property, func(r pgx.CollectableRow) (a AlarmAnswer, err error) {
		var no int32
		err = r.Scan(&no, &a.At, &a.Kind, &a.By, &a.Why)
		a.Alarm, a.At = AlarmID(property, no), a.At.UTC()
		return a, err
	}, `SELECT j.alarm_no, j.at, j.kind, j.actor, j.why FROM alarm_journal j JOIN property p USING (property_id)
			JOIN alarm a USING (property_id, alarm_no)
		WHERE p.name = $1 AND j.actor <> $4 AND a.raised_at < $3 AND (a.cleared_at IS NULL OR a.cleared_at >= $2) ORDER BY j.entry_id`,
		property, from, to, evaluatorActor)
}
