package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// AlarmState is how an alarm stands towards people (IEC 62682, ANSI/ISA-18.2).
type AlarmState string

// The states. A withdrawn alarm is normal.
const (
	StateNormal             AlarmState = "normal"
	StateUnacknowledged     AlarmState = "unacknowledged"
	StateAcknowledged       AlarmState = "acknowledged"
	StateReturned           AlarmState = "returned-to-normal-unacknowledged"
	StateShelved            AlarmState = "shelved"
	StateSuppressedByDesign AlarmState = "suppressed-by-design"
	StateOutOfService       AlarmState = "out-of-service"
)

// AlarmStates lists every state.
func AlarmStates() []AlarmState {
	return []AlarmState{StateNormal, StateUnacknowledged, StateAcknowledged, StateReturned,
		StateShelved, StateSuppressedByDesign, StateOutOfService}
}

// stateSQL is the state of alarm a with hold h at the time $1. A hold lies on
// the condition at the point and covers whatever episode stands meanwhile.
const stateSQL = `CASE
	WHEN a.withdrawn_at IS NOT NULL THEN 'normal'
	WHEN a.cleared_at IS NOT NULL AND (a.acknowledged_at IS NOT NULL OR a.suppressed_by IS NOT NULL) THEN 'normal'
	WHEN h.kind = 'out-of-service' AND (h.until IS NULL OR h.until > $1) THEN 'out-of-service'
	WHEN h.until > $1 THEN 'shelved'
	WHEN a.suppressed_by IS NOT NULL THEN 'suppressed-by-design'
	WHEN a.cleared_at IS NOT NULL THEN 'returned-to-normal-unacknowledged'
	WHEN a.acknowledged_at IS NOT NULL THEN 'acknowledged'
	ELSE 'unacknowledged' END`

// AlarmRecord is an alarm with its standing towards people.
type AlarmRecord struct {
	alerting.Alarm
	ID             string // "heron-07.12": the property's twelfth
	State          AlarmState
	AcknowledgedAt time.Time // zero: not
	AcknowledgedBy string
	HoldUntil      time.Time // shelved: until then; zero: out of service until returned, or no hold
	HoldReason     string    // "" without a hold
	HoldBy         string
	ChangedAt      time.Time // by the clock of the last change of any kind
	RegionalEvent  int64     // the event of several houses that its call-out is part of; 0 none
}

// AlarmID is the id of a property's alarm number no.
func AlarmID(property string, no int32) string {
	return property + "." + strconv.Itoa(int(no))
}

// ParseAlarmID takes an id apart.
func ParseAlarmID(id string) (property string, no int32, ok bool) {
	property, number, ok := strings.Cut(id, ".")
	n, err := strconv.ParseInt(number, 10, 32)
	if !ok || err != nil || n < 1 || !validName(property) || strconv.FormatInt(n, 10) != number {
		return "", 0, false
	}
	return property, int32(n), true
}

// AlarmQuery asks for a page of alarms, latest raised first.
type AlarmQuery struct {
	Scope     Scope
	Property  string         // "" any
	States    []AlarmState   // none: any
	Condition site.Condition // "" any
	// Standing leaves out what is over and done: normal and withdrawn.
	Standing bool
	From, To time.Time // by raised_at, From inclusive, To exclusive; zero: open
	Cursor   string    // from the previous page
	Limit    int
	Now      time.Time // for shelving that runs out
}

const alarmColumns = `p.name, a.alarm_no, a.condition, a.point, a.priority, a.raised_at, a.known_at, a.cleared_at,
	a.withdrawn_at, coalesce(a.withdrawn_why, ''), a.call_out, coalesce(a.suppressed_by, ''), a.causes, a.remarks, a.priority_changes,
	a.acknowledged_at, coalesce(a.acknowledged_by, ''), a.changed_at,
	coalesce((SELECT m.event_id FROM regional_member m WHERE m.property_id = a.property_id AND m.call_out = a.call_out AND a.suppressed_by IS NULL), 0),
	CASE WHEN h.until > $1 THEN h.until END, coalesce(CASE WHEN h.until > $1 OR h.until IS NULL THEN h.reason END, ''),
	coalesce(CASE WHEN h.until > $1 OR h.until IS NULL THEN h.held_by END, ''), ` + stateSQL

const alarmFrom = ` FROM alarm a JOIN property p USING (property_id)
	LEFT JOIN alarm_hold h ON h.property_id = a.property_id AND h.condition = a.condition AND h.point = a.point `

// alarmKey is where a page of alarms ended.
type alarmKey struct {
	RaisedAt time.Time `json:"r"`
	Num      int32     `json:"p"`
	No       int32     `json:"n"`
}

// Alarms lists a page; next is "" at the end.
func (s *Store) Alarms(ctx context.Context, q AlarmQuery) (page []AlarmRecord, next string, err error) {
	var after alarmKey
	more, err := decodeCursor(q.Cursor, &after)
	if err != nil {
		return nil, "", err
	}
	all, names := q.Scope.args()
	states := make([]string, len(q.States))
	for i, st := range q.States {
		states[i] = string(st)
	}
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, `SELECT `+alarmColumns+`, a.property_id`+alarmFrom+`
		WHERE ($2 OR p.name = ANY($3)) AND ($4 = '' OR p.name = $4) AND ($5 = '' OR a.condition = $5)
			AND (NOT $6 OR a.withdrawn_at IS NULL AND (a.cleared_at IS NULL OR a.acknowledged_at IS NULL AND a.suppressed_by IS NULL))
			AND ($7::timestamptz IS NULL OR a.raised_at >= $7) AND ($8::timestamptz IS NULL OR a.raised_at < $8)
			AND (NOT $9 OR (a.raised_at, a.property_id, a.alarm_no) < ($10, $11, $12))
			AND (cardinality($13::text[]) = 0 OR `+stateSQL+` = ANY($13))
		ORDER BY a.raised_at DESC, a.property_id DESC, a.alarm_no DESC LIMIT $14`,
		q.Now, all, names, q.Property, string(q.Condition), q.Standing, nullInstant(q.From), nullInstant(q.To),
		more, after.RaisedAt, after.Num, after.No, states, limit+1)
	if err != nil {
		return nil, "", fmt.Errorf("list alarms: %w", err)
	}
	var keys []alarmKey
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (AlarmRecord, error) {
		var num int32
		a, no, err := scanAlarm(r, &num)
		keys = append(keys, alarmKey{a.RaisedAt, num, no})
		return a, err
	})
	if err != nil {
		return nil, "", fmt.Errorf("list alarms: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(keys[limit-1])
	}
	return page, next, nil
}

// Alarm is one alarm by its id.
func (s *Store) Alarm(ctx context.Context, scope Scope, id string, now time.Time) (AlarmRecord, error) {
	property, no, ok := ParseAlarmID(id)
	if !ok || !scope.Sees(property) {
		return AlarmRecord{}, notFound("alarm %s", id)
	}
	a, _, err := scanAlarm(s.api.QueryRow(ctx, `SELECT `+alarmColumns+alarmFrom+`WHERE p.name = $2 AND a.alarm_no = $3`, now, property, no))
	if isNoRows(err) {
		return AlarmRecord{}, notFound("alarm %s", id)
	}
	if err != nil {
		return AlarmRecord{}, fmt.Errorf("alarm %s: %w", id, err)
	}
	return a, nil
}

func scanAlarm(row pgx.Row, more ...any) (a AlarmRecord, no int32, err error) {
	var cleared, withdrawn, acknowledged, until *time.Time
	var causes, changes []byte
	dest := append([]any{&a.Property, &no, &a.Condition, &a.Point, &a.Priority, &a.RaisedAt, &a.KnownAt, &cleared,
		&withdrawn, &a.WithdrawnWhy, &a.CallOut, &a.SuppressedBy, &causes, &a.Remarks, &changes,
		&acknowledged, &a.AcknowledgedBy, &a.ChangedAt, &a.RegionalEvent, &until, &a.HoldReason, &a.HoldBy, &a.State}, more...)
	if err := row.Scan(dest...); err != nil {
		return a, 0, err
	}
	a.ID = AlarmID(a.Property, no)
	a.RaisedAt, a.KnownAt, a.ChangedAt = a.RaisedAt.UTC(), a.KnownAt.UTC(), a.ChangedAt.UTC()
	a.ClearedAt, a.WithdrawnAt, a.AcknowledgedAt, a.HoldUntil = instant(cleared), instant(withdrawn), instant(acknowledged), instant(until)
	a.Causes, err = parseCauses(causes)
	if err == nil {
		a.PriorityChanges, err = parsePriorityChanges(changes)
	}
	return a, no, err
}

type causeJSON struct {
	Cause    string   `json:"cause"`
	Evidence []string `json:"evidence"`
}

type priorityChangeJSON struct {
	At       time.Time `json:"at"`
	Priority string    `json:"priority"`
}

func causesJSON(causes []alerting.Cause) []causeJSON {
	out := make([]causeJSON, len(causes))
	for i, c := range causes {
		out[i] = causeJSON{c.Cause, c.Evidence}
		if c.Evidence == nil {
			out[i].Evidence = []string{}
		}
	}
	return out
}

func parseCauses(b []byte) ([]alerting.Cause, error) {
	var in []causeJSON
	if err := json.Unmarshal(b, &in); err != nil {
		return nil, fmt.Errorf("causes: %w", err)
	}
	var out []alerting.Cause
	for _, c := range in {
		out = append(out, alerting.Cause{Cause: c.Cause, Evidence: c.Evidence})
	}
	return out, nil
}

func priorityChangesJSON(changes []alerting.PriorityChange) []priorityChangeJSON {
	out := make([]priorityChangeJSON, len(changes))
	for i, c := range changes {
		out[i] = priorityChangeJSON{c.At.UTC(), c.Priority.String()}
	}
	return out
}

func parsePriorityChanges(b []byte) ([]alerting.PriorityChange, error) {
	var in []priorityChangeJSON
	if err := json.Unmarshal(b, &in); err != nil {
		return nil, fmt.Errorf("priority changes: %w", err)
	}
	var out []alerting.PriorityChange
	for _, c := range in {
		p, ok := alerting.ParsePriority(c.Priority)
		if !ok {
			return nil, fmt.Errorf("priority changes: no priority %q", c.Priority)
		}
		out = append(out, alerting.PriorityChange{At: c.At, Priority: p})
	}
	return out, nil
}
