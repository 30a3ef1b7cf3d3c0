package store

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// Defaults of sealing.
const (
	DefaultSealDelay = 72 * time.Hour
	DefaultHotWindow = 90 * 24 * time.Hour
	// least after the end of a day before it is sealed, so that what was being
	// recorded is there
	sealMargin = 2 * time.Minute

	sealConns      = 4
	sealBatch      = 8      // property-days that are read at once; few, so that giving way is soon felt
	sealRound      = 20_000 // property-days that go into the log at once
	workersDefault = 1
)

// SealOptions say how days are sealed.
type SealOptions struct {
	Keys *Keyring
	// Delay after the end of a local day until it is sealed.
	Delay time.Duration
	// HotWindow is how long raw rows are kept beside what is sealed; 0: for good.
	HotWindow time.Duration
	// Workers that read and pack at once; default 1, so that ingest keeps its
	// share of a small machine.
	Workers int
}

// Sealed is what a run came to.
type Sealed struct {
	Days, Amendments int
	Readings         int
	Records          int64 // in the log afterwards
	Dropped          int   // partitions of raw rows
}

// sealRun is one run on its way. What it writes goes in steps that a crash may
// fall between: stage, swap the head, keep the checkpoint outside, publish it,
// discard what was waiting. Each step finds out from the database whether it,
// or the one before, was done.
type sealRun struct {
	s      *Store
	o      SealOptions
	now    time.Time
	head   evidence.Tree
	exists bool // there is a log

	mu     sync.Mutex
	staged map[sealKey][32]byte
	out    Sealed
}

type sealKey struct {
	property  int32
	day       string
	amendment int
}

// Seal puts every finished day whose delay has passed into the log, and what
// came late into amendments; then it drops raw rows that are older than the hot
// window. ErrConflict while another process seals; ErrLog when the log is not
// what was promised.
func (s *Store) Seal(ctx context.Context, o SealOptions, now time.Time) (Sealed, error) {
	if o.Keys == nil || o.Delay < 0 {
		return Sealed{}, invalid("sealing without keys, or after %s", o.Delay)
	}
	if o.Workers < 1 {
		o.Workers = workersDefault
	}
	o.Delay = o.Delay.Truncate(time.Second)
	r := &sealRun{s: s, o: o, now: now.UTC()}
	err := s.alone(ctx, func() error { return r.run(ctx) })
	if err != nil {
		return r.out, fmt.Errorf("seal: %w", err)
	}
	return r.out, nil
}

// alone runs f while no other process seals. The lock dies with the connection.
func (s *Store) alone(ctx context.Context, f func() error) error {
	conn, err := s.sealing.Acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	var got bool
	if err := conn.QueryRow(ctx, `SELECT pg_try_advisory_lock(hashtext('underkeep seal'))`).Scan(&got); err != nil {
		return fmt.Errorf("take the lock: %w", err)
	}
	if !got {
		return conflict("another process is sealing")
	}
	defer func() {
		if _, err := conn.Exec(context.WithoutCancel(ctx), `SELECT pg_advisory_unlock(hashtext('underkeep seal'))`); err != nil {
			_ = conn.Conn().Close(context.WithoutCancel(ctx)) // which gives the lock up too
		}
	}()
	return f()
}

func (r *sealRun) run(ctx context.Context) error {
	if err := r.open(ctx); err != nil {
		return err
	}
	if err := r.write("discard-staged", func() error { return r.s.discardStaged(ctx) }); err != nil {
		return err
	}
	// A run before may have ended between swap and publish.
	if err := r.publish(ctx); err != nil {
		return err
	}
	for {
		more, err := r.round(ctx)
		if err != nil {
			return err
		}
		if !more {
			break
		}
	}
	r.out.Records = r.head.Size
	if r.o.HotWindow == 0 {
		return nil
	}
	dropped, err := r.s.dropRaw(ctx, r.now.Add(-r.o.HotWindow), r.now)
	r.out.Dropped = dropped
	return err
}

// open reads the head and holds it against what was promised.
func (r *sealRun) open(ctx context.Context) error {
	return withTx(ctx, r.s.sealing, oneSnapshot, func(tx pgx.Tx) (err error) {
		if r.head, r.exists, err = logTree(ctx, tx, false); err != nil {
			return err
		}
		kept, promised, err := r.o.Keys.Kept()
		if err != nil {
			return badLog("%w", err)
		}
		if promised {
			if err := verifyPromise(r.head, logTiles(ctx, tx), kept.Tree); err != nil {
				return err
			}
		}
		if !r.exists {
			return nil
		}
		return verifyHead(ctx, tx, r.o.Keys, r.head)
	})
}

// round seals up to sealRound days; more says whether others may be due.
func (r *sealRun) round(ctx context.Context) (more bool, err error) {
	r.staged = map[sealKey][32]byte{}
	due, more, err := r.s.dueDays(ctx, r.o.Delay, r.now)
	if err != nil {
		return false, err
	}
	late, ids, err := r.s.dueAmendments(ctx)
	if err != nil {
		return false, err
	}
	if err := r.stage(ctx, append(due, late...)); err != nil {
		return false, err
	}
	if err := r.swap(ctx); err != nil {
		return false, err
	}
	if err := r.publish(ctx); err != nil {
		return false, err
	}
	return more, r.write("discard", func() error { return r.s.discardDue(ctx, ids) })
}

// stage reads and packs jobs, a few at a time.
func (r *sealRun) stage(ctx context.Context, jobs []*sealJob) error {
	batches := batchJobs(jobs)
	work := make(chan []*sealJob)
	errs := make([]error, r.o.Workers)
	var wg sync.WaitGroup
	for w := range r.o.Workers {
		wg.Go(func() {
			for batch := range work {
				if errs[w] != nil {
					continue
				}
				began, busy := time.Now(), r.s.recorder.busy.Load()
				if errs[w] = r.stageBatch(ctx, batch); errs[w] == nil {
					took := time.Since(began)
					errs[w] = pause(ctx, givesWay(took, time.Duration(r.s.recorder.busy.Load()-busy)))
				}
			}
		})
	}
	for _, b := range batches {
		work <- b
	}
	close(work)
	wg.Wait()
	return errors.Join(errs...)
}

// Sealing can wait, and what arrives cannot. While ingest of this process is at it
// for more than half of the time, sealing rests after each batch, the longer the
// busier ingest is: at its limit for twelve times as long as the batch took, so
// that little of the machine is taken from it. At the pace of ten thousand houses,
// a few hundredths of the time, nothing is held up.
const (
	busyShare = 0.5
	mostRest  = 12
)

func givesWay(took, busy time.Duration) time.Duration {
	if took <= 0 {
		return 0
	}
	share := min(1, float64(busy)/float64(took))
	return time.Duration(float64(took) * mostRest * max(0, share-busyShare) / (1 - busyShare))
}

func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// batchJobs puts jobs together to about sealBatch days.
func batchJobs(jobs []*sealJob) [][]*sealJob {
	var out [][]*sealJob
	days := sealBatch
	for _, j := range jobs {
		if days+len(j.days) > sealBatch {
			out, days = append(out, nil), 0
		}
		out[len(out)-1] = append(out[len(out)-1], j)
		days += len(j.days)
	}
	return out
}

func (r *sealRun) stageBatch(ctx context.Context, jobs []*sealJob) error {
	if err := r.s.loadDays(ctx, jobs, r.now); err != nil {
		return err
	}
	var records []sealedRecord
	for _, j := range jobs {
		made, err := j.records(r.o.Delay)
		if err != nil {
			return fmt.Errorf("property %s: %w", j.reg.ID, err)
		}
		records = append(records, made...)
	}
	if len(records) == 0 {
		return nil
	}
	r.mu.Lock()
	for i := range records {
		c := &records[i]
		r.staged[sealKey{c.property, c.day.Date.String(), c.day.Amendment}] = c.hash
		r.out.Readings += c.readings
		if c.day.Amendment == 0 {
			r.out.Days++
		} else {
			r.out.Amendments++
		}
	}
	r.mu.Unlock()
	return r.write("stage", func() error { return r.s.stageRecords(ctx, records) })
}

// write lets tests have a step fail as if it had not been applied, or as if it
// had been and nobody heard of it.
func (r *sealRun) write(step string, f func() error) error {
	fault := r.s.sealFault
	if fault != nil {
		if err := fault(step, false); err != nil {
			return err
		}
	}
	if err := f(); err != nil {
		return err
	}
	if fault != nil {
		return fault(step, true)
	}
	return nil
}
