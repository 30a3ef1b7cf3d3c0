package alerting

import (
	"encoding/binary"
	"errors"
	"math"
)

// class of a signal at one instant, seen from one side of one limit.
type class uint8

const (
	uncovered class = iota // nobody knows
	within                 // known, and the definition does not hold
	beyond                 // known, and it does
)

func classOf(holds bool) class {
	if holds {
		return beyond
	}
	return within
}

const never = int64(math.MaxInt64)

// run is a stretch of one class; it ends where the next begins.
type run struct {
	From  int64
	Class class
}

// sustained answers when "sustained for W" is first met: beyond at both ends
// of the trailing window, for 90 % of its covered time, with 80 % covered.
//
// While both ends are beyond, the beyond time and the covered time of the
// sliding window do not change (what enters and what leaves are both beyond).
// So the definition can only become true where one end turns beyond: when the
// signal does, or W after it did. Those instants are checked, exactly.
type sustained struct {
	Runs runs
	Pos  int64 // the instants up to here have been checked
}

type runs []run

// current class of the signal.
func (s *sustained) current() class {
	if len(s.Runs) == 0 {
		return uncovered
	}
	return s.Runs[len(s.Runs)-1].Class
}

// step moves to t, where the class becomes c, and returns the first instant in
// (previous step, t] that meets the definition for window w, not before
// notBefore; never if there is none. With want false nothing is looked for.
func (s *sustained) step(t int64, c class, w int64, notBefore int64, want bool) int64 {
	cur := s.current()
	if c == cur && (c != beyond || !want) {
		s.Pos = t
		return never
	}
	met := never
	if want && cur == beyond {
		met = s.firstMet(s.Pos, t, w, notBefore, c != beyond)
	}
	if c != cur {
		s.push(t, c, w)
	}
	if want && met == never && c == beyond && t >= notBefore && s.metAt(t, w) {
		met = t
	}
	s.Pos = t
	return met
}

// peek returns the first instant in (last step, horizon] that would meet the
// definition if the signal stayed as it is.
func (s *sustained) peek(horizon, w, notBefore int64) int64 {
	if s.current() != beyond || horizon <= s.Pos {
		return never
	}
	return s.firstMet(s.Pos, horizon, w, notBefore, false)
}

func (s *sustained) firstMet(from, to, w, notBefore int64, openEnd bool) int64 {
	last := to
	if openEnd {
		last = to - 1
	}
	if notBefore > from && notBefore <= last && s.metAt(notBefore, w) {
		return notBefore
	}
	for i := range s.Runs {
		r := s.Runs[i]
		if r.Class != beyond {
			continue
		}
		at := r.From + w
		if at > last {
			return never
		}
		if at > from && at >= notBefore && s.metAt(at, w) {
			return at
		}
	}
	return never
}

// metAt checks the definition at t, taking the present class to reach t.
func (s *sustained) metAt(t, w int64) bool {
	if s.current() != beyond {
		return false
	}
	if w == 0 {
		return true
	}
	start := t - w
	var sum [3]int64
	end := t
	for i := len(s.Runs) - 1; i >= 0; i-- {
		r := s.Runs[i]
		from := max(r.From, start)
		if from < end {
			sum[r.Class] += end - from
			end = from
		}
		if r.From <= start {
			covered := sum[within] + sum[beyond]
			return r.Class == beyond && sum[beyond]*10 >= covered*9 && covered*10 >= w*8
		}
	}
	return false
}

// share is how much of the window before t was beyond, and how much was
// covered, taking the present class to reach t.
func (s *sustained) share(t, w int64) (beyondFor, coveredFor int64) {
	var sum [3]int64
	end, start := t, t-w
	for i := len(s.Runs) - 1; i >= 0 && end > start; i-- {
		from := max(s.Runs[i].From, start)
		if from < end {
			sum[s.Runs[i].Class] += end - from
			end = from
		}
	}
	return sum[beyond], sum[within] + sum[beyond]
}

// mostly says that 90 % of the covered time of a window was beyond, with 80 %
// of it covered, whatever its ends.
func (s *sustained) mostly(t, w int64) bool {
	on, covered := s.share(t, w)
	return on*10 >= covered*9 && covered*10 >= w*8
}

// push starts a run of class c at t and forgets what no window can reach.
func (s *sustained) push(t int64, c class, w int64) {
	if n := len(s.Runs); n > 0 && s.Runs[n-1].From == t {
		s.Runs[n-1].Class = c
		if n > 1 && s.Runs[n-2].Class == c {
			s.Runs = s.Runs[:n-1]
		}
	} else {
		s.Runs = append(s.Runs, run{t, c})
	}
	drop := 0
	for drop+1 < len(s.Runs) && s.Runs[drop+1].From <= t-w {
		drop++
	}
	if drop > 0 {
		s.Runs = append(s.Runs[:0], s.Runs[drop:]...)
	}
}

// restart forgets everything before t, where the class becomes c.
func (s *sustained) restart(t int64, c class) {
	s.Runs = append(s.Runs[:0], run{t, c})
	s.Pos = t
}

// appendSpan writes a difference of times: in whole seconds where it is one,
// which halves the state of a noisy week.
func appendSpan(out []byte, d int64) []byte {
	if d%µsSecond == 0 {
		return binary.AppendVarint(out, d/µsSecond<<1)
	}
	return binary.AppendVarint(out, d<<1|1)
}

// span reads what appendSpan wrote and returns the rest; ok is false at its end.
func span(b []byte) (d int64, rest []byte, ok bool) {
	v, n := binary.Varint(b)
	if n <= 0 {
		return 0, nil, false
	}
	if v&1 == 0 {
		return v >> 1 * µsSecond, b[n:], true
	}
	return v >> 1, b[n:], true
}

var errPacked = errors.New("packed state is cut short")

// MarshalBinary packs the runs as differences: a noisy week near a limit then
// costs some kilobytes, not tens.
func (rs runs) MarshalBinary() ([]byte, error) {
	out := make([]byte, 0, 4*len(rs))
	prev := int64(0)
	for _, r := range rs {
		out = appendSpan(out, r.From-prev)
		out = append(out, byte(r.Class))
		prev = r.From
	}
	return out, nil
}

// UnmarshalBinary reads what MarshalBinary wrote.
func (rs *runs) UnmarshalBinary(b []byte) error {
	*rs = nil
	prev := int64(0)
	for len(b) > 0 {
		d, rest, ok := span(b)
		if !ok || len(rest) == 0 || rest[0] > byte(beyond) {
			return errPacked
		}
		prev += d
		*rs = append(*rs, run{prev, class(rest[0])})
		b = rest[1:]
	}
	return nil
}

// cycles are packed alike: a busy pump runs some thousand times in two days.
type cycles []cycle

// MarshalBinary packs the cycles as differences.
func (cs cycles) MarshalBinary() ([]byte, error) {
	out := make([]byte, 0, 6*len(cs))
	prev := int64(0)
	for _, c := range cs {
		out = appendSpan(out, c.Start-prev)
		out = appendSpan(out, c.End-c.Start)
		flags := byte(0)
		if c.Short {
			flags |= 1
		}
		if c.Like {
			flags |= 2
		}
		out = append(out, flags)
		prev = c.Start
	}
	return out, nil
}

// UnmarshalBinary reads what MarshalBinary wrote.
func (cs *cycles) UnmarshalBinary(b []byte) error {
	*cs = nil
	prev := int64(0)
	for len(b) > 0 {
		d, rest, ok := span(b)
		if !ok {
			return errPacked
		}
		length, rest, ok := span(rest)
		if !ok || len(rest) == 0 || rest[0] > 3 {
			return errPacked
		}
		prev += d
		*cs = append(*cs, cycle{prev, prev + length, rest[0]&1 != 0, rest[0]&2 != 0})
		b = rest[1:]
	}
	return nil
}
