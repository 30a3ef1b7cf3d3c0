package store

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
)

const (
	// evaluateAtOnce is how many queued properties, and how many whose timer
	// has run out, share a transaction.
	evaluateAtOnce = 32
	// evaluationLinger lets what arrives in one burst be evaluated in one go.
	evaluationLinger = 50 * time.Millisecond
	// evaluationPoll bounds how long timers and what other machines stored
	// may wait.
	evaluationPoll = 500 * time.Millisecond
)

// Evaluated says what one call of EvaluateDue did.
type Evaluated struct {
	Properties int
	Readings   int // handed to evaluators, those evaluated again included
	Late       int // properties that had to go back to a checkpoint
	Changes    int // of alarms
	Failed     int // properties whose evaluation failed; they are tried again later
	// Oldest is the earliest receipt of what made these properties due; zero
	// when only timers did.
	Oldest time.Time
}

// AlarmChange is one change of an alarm as it was written.
type AlarmChange struct {
	ID string // of the alarm
	alerting.Change
}

// evaluator is what the evaluation keeps from call to call.
type evaluator struct {
	nudge  chan struct{} // something was recorded by this process
	cursor atomic.Int32  // where the next search for due properties begins

	mu     sync.Mutex
	cached map[int32]*judged
}

// maxCached bounds the evaluators kept in memory, at some 100 kB each.
const maxCached = 5000

// take removes a property's evaluator from the cache: whoever has claimed the
// property owns it until it is put back after the commit.
func (e *evaluator) take(num int32) *judged {
	e.mu.Lock()
	defer e.mu.Unlock()
	j := e.cached[num]
	delete(e.cached, num)
	return j
}

func (e *evaluator) put(num int32, j *judged) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.cached == nil {
		e.cached = map[int32]*judged{}
	}
	for k := range e.cached {
		if len(e.cached) < maxCached {
			break
		}
		delete(e.cached, k)
	}
	e.cached[num] = j
}

// EvaluateDue claims up to 32 properties that have something new, and 32 whose
// timer has run out by now, evaluates them, and writes state, alarms, journal
// and timers and removes what made them due, in one transaction. Zero
// properties mean that there is nothing to do. Any number of workers on any
// number of machines may call it at once; each property is in one hand only.
func (s *Store) EvaluateDue(ctx context.Context, now time.Time) (Evaluated, error) {
	watermark, err := s.horizon(ctx, now)
	if err != nil {
		return Evaluated{}, err
	}
	nums, err := s.dueProperties(ctx, watermark, now)
	if err != nil || len(nums) == 0 {
		return Evaluated{}, err
	}
	r := round{s: s, now: now, watermark: watermark}
	out, err := r.runRetrying(ctx, nums)
	if err == nil || ctx.Err() != nil || mayPass(err) {
		return out, err
	}
	// Something about one of them; the others must not wait for it.
	return r.oneByOne(ctx, nums)
}

// runRetrying begins again when another worker was faster.
func (r *round) runRetrying(ctx context.Context, nums []int32) (out Evaluated, err error) {
	err = retrying(ctx, func() error {
		out, err = r.run(ctx, nums)
		return err
	})
	return out, err
}

func (r *round) oneByOne(ctx context.Context, nums []int32) (sum Evaluated, err error) {
	for _, num := range nums {
		out, rerr := r.runRetrying(ctx, []int32{num})
		if rerr != nil && !mayPass(rerr) && ctx.Err() == nil {
			rerr = r.s.noteFailure(ctx, num, rerr, r.now)
			out = Evaluated{Properties: 1, Failed: 1}
		}
		sum.add(out)
		err = errors.Join(err, rerr)
	}
	return sum, err
}

func (e *Evaluated) add(o Evaluated) {
	e.Properties += o.Properties
	e.Readings += o.Readings
	e.Late += o.Late
	e.Changes += o.Changes
	e.Failed += o.Failed
	if e.Oldest.IsZero() || !o.Oldest.IsZero() && o.Oldest.Before(e.Oldest) {
		e.Oldest = o.Oldest
	}
}

// dueSQL walks the queue property by property (a loose index scan), beginning
// behind the last one found, so that one busy property hides no other.
const dueSQL = `
WITH RECURSIVE d AS (
	(SELECT property_id FROM due WHERE property_id > $1 ORDER BY property_id LIMIT 1)
	UNION ALL
	SELECT (SELECT property_id FROM due WHERE property_id > d.property_id ORDER BY property_id LIMIT 1) FROM d WHERE d.property_id IS NOT NULL
), c AS (
	SELECT property_id FROM d JOIN evaluation USING (property_id) WHERE retry_at IS NULL OR retry_at <= $4 LIMIT $2
)
SELECT property_id, true FROM c
UNION ALL
(SELECT property_id, false FROM evaluation WHERE wake_at <= $3 AND (retry_at IS NULL OR retry_at <= $4) ORDER BY wake_at LIMIT $2)`

// dueProperties looks for candidates; whether another worker has them shows
// when they are locked.
func (s *Store) dueProperties(ctx context.Context, watermark, now time.Time) ([]int32, error) {
	from := s.evaluator.cursor.Load()
	for {
		nums, last, err := s.dueBehind(ctx, from, watermark, now)
		if err != nil {
			return nil, fmt.Errorf("look for due properties: %w", err)
		}
		// 0 when the end of the queue is reached: the next search begins anew.
		s.evaluator.cursor.Store(last)
		if len(nums) > 0 || from == 0 {
			return nums, nil
		}
		from = 0
	}
}

// dueBehind finds up to 32 queued properties behind from, and up to 32 whose
// timer has run out; last is the last of the queued ones, 0 for none.
func (s *Store) dueBehind(ctx context.Context, from int32, watermark, now time.Time) (nums []int32, last int32, err error) {
	rows, err := s.evaluation.Query(ctx, dueSQL, from, evaluateAtOnce, watermark, now)
	if err != nil {
		return nil, 0, err
	}
	var num int32
	var queued bool
	_, err = pgx.ForEachRow(rows, []any{&num, &queued}, func() error {
		nums = append(nums, num)
		if queued {
			last = max(last, num)
		}
		return nil
	})
	return nums, last, err
}

// noteFailure puts a property aside for a while, longer each time; what made
// it due stays.
func (s *Store) noteFailure(ctx context.Context, num int32, cause error, now time.Time) error {
	s.log.Error("evaluation failed", "property", num, "error", cause)
	_, err := s.evaluation.Exec(ctx, `UPDATE evaluation SET failures = failures + 1, failure = $2,
			retry_at = $3::timestamptz + least(interval '1 hour', interval '5 seconds' * 2 ^ least(failures, 12))
		WHERE property_id = $1`, num, cutText(cause.Error(), 2000), now)
	if err != nil {
		return fmt.Errorf("note failed evaluation of property %d: %w", num, err)
	}
	return nil
}

// nudgeEvaluators tells a waiting worker of this process that there is work.
func (s *Store) nudgeEvaluators() {
	select {
	case s.evaluator.nudge <- struct{}{}:
	default:
	}
}

// RunEvaluators keeps n workers evaluating until ctx ends. observe, if not
// nil, is called after each round that found something.
func (s *Store) RunEvaluators(ctx context.Context, n int, observe func(Evaluated)) {
	var wg sync.WaitGroup
	for range n {
		wg.Go(func() { s.runEvaluator(ctx, observe) })
	}
	wg.Wait()
}

func (s *Store) runEvaluator(ctx context.Context, observe func(Evaluated)) {
	for ctx.Err() == nil {
		out, err := s.EvaluateDue(ctx, time.Now())
		if err != nil && ctx.Err() == nil {
			s.log.Warn("evaluation round", "error", err)
		}
		if out.Properties > 0 && observe != nil {
			observe(out)
		}
		if out.Properties > 0 && err == nil {
			continue
		}
		select {
		case <-ctx.Done():
		case <-time.After(evaluationPoll):
		case <-s.evaluator.nudge:
			select {
			case <-ctx.Done():
			case <-time.After(evaluationLinger):
			}
		}
	}
}

// guarded runs f and turns a panic into an error: one property's state must
// not stop all others.
func guarded(property string, f func()) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("evaluate %s: panic: %v\n%s", property, p, debug.Stack())
		}
	}()
	f()
	return nil
}
