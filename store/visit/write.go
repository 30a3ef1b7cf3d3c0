package visit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"underkeep/store/site"
)

// Plan is a visit to be planned.
type Plan struct {
	Property   string
	Kind       Kind
	Origin     Origin // "": by hand, or by alarm when one is named
	Reason     string
	DueOn      *site.Date
	Crew       string
	AssignedTo int32  // a person; 0 nobody yet
	Alarm      string // id of the alarm that asks for it, "" none
}

// Check fills the origin and says what cannot be meant.
func (p *Plan) Check() error {
	if !slices.Contains(Kinds(), p.Kind) {
		return fmt.Errorf("visit of kind %.40q", p.Kind)
	}
	if p.Origin == "" {
		p.Origin = ByHand
		if p.Alarm != "" {
			p.Origin = ByAlarm
		}
	}
	if !slices.Contains([]Origin{ByHand, ByTerms, UnprovenPump, ByAlarm}, p.Origin) || p.Origin == ByAlarm && p.Alarm == "" {
		return fmt.Errorf("visit with the origin %.40q", p.Origin)
	}
	return cmp.Or(CheckText("reason", p.Reason, 1000), CheckText("crew", p.Crew, 100))
}

// Change of what is agreed about a planned visit; nil leaves alone.
type Change struct {
	Reason     *string
	DueOn      *site.Date
	NoDay      bool // takes the day away
	Crew       *string
	AssignedTo *int32 // 0: nobody
	Why        string
}

// Start of a visit: somebody is there. What it brings about by itself is put
// out of service until it ends, and at most for a time.
type Start struct {
	Disturbs []Disturbance
	For      time.Duration // 0: DefaultLength; at most LongestVisit
}

// How long a visit may hold alarms without anybody ending it (common practice,
// no source).
const (
	DefaultLength = 4 * time.Hour
	LongestVisit  = 12 * time.Hour
)

// Check says what cannot be meant.
func (s *Start) Check() error {
	if s.For < 0 || s.For > LongestVisit {
		return fmt.Errorf("a visit of %s: want at most %s", s.For, LongestVisit)
	}
	for _, d := range s.Disturbs {
		if !slices.Contains(Disturbances(), d) {
			return fmt.Errorf("disturbance %.40q", d)
		}
	}
	return nil
}

// Findings are what was found and done.
type Findings struct {
	Findings string
	Work     []Work
}

// Check says what cannot be meant.
func (f *Findings) Check() error {
	for _, k := range f.Work {
		if !slices.Contains(Works(), k) {
			return fmt.Errorf("work %.40q", k)
		}
	}
	return CheckText("findings", f.Findings, 10000)
}

// Check says what cannot be measured.
func (h *HandReading) Check() error {
	unit := h.Quantity.Unit()
	low, high := h.Quantity.Range()
	switch {
	case unit == "":
		return fmt.Errorf("reading of %.40q", h.Quantity)
	case h.Unit != unit:
		return fmt.Errorf("%s in %.20q: want %s", h.Quantity, h.Unit, unit)
	case !(h.Value >= low && h.Value <= high): // not NaN either
		return fmt.Errorf("%s of %g %s: want %g to %g", h.Quantity, h.Value, unit, low, high)
	}
	return cmp.Or(CheckText("place", h.Place, 200), CheckText("remark", h.Remark, 1000))
}

// Check says what cannot be meant.
func (p *Part) Check() error {
	if strings.TrimSpace(p.Part) == "" || p.Pieces < 1 || p.Pieces > 1000 {
		return fmt.Errorf("part %.40q, %d pieces: want a name and 1 to 1000 pieces", p.Part, p.Pieces)
	}
	return cmp.Or(CheckText("part", p.Part, 200), CheckText("serial", p.Serial, 100))
}

// The pumps of a property and the ways to test one.
const (
	Primary = "primary"
	Backup  = "backup"

	ByFloat  = "float"  // the float lifted by hand
	ByBucket = "bucket" // water poured until the pump starts
)

// Check says what cannot be meant.
func (t *PumpTest) Check() error {
	bucket := t.Method == ByBucket
	switch {
	case t.Pump != Primary && t.Pump != Backup:
		return fmt.Errorf("pump %.40q: want primary or backup", t.Pump)
	case !bucket && t.Method != ByFloat:
		return fmt.Errorf("method %.40q: want float or bucket", t.Method)
	case math.IsNaN(t.PouredL) || math.IsNaN(t.DrawDownS):
		return fmt.Errorf("figures of a bucket test that are no numbers")
	case (!bucket || !t.Ran) && (t.PouredL != 0 || t.DrawDownS != 0):
		return fmt.Errorf("volume and draw-down belong to a bucket test in which the pump ran")
	case bucket && t.Ran && !(t.PouredL > 0 && t.PouredL <= 10_000 && t.DrawDownS > 0 && t.DrawDownS <= 86_400):
		return fmt.Errorf("a bucket test of %g L in %g s: want both, up to 10000 L and a day", t.PouredL, t.DrawDownS)
	}
	return CheckText("remark", t.Remark, 1000)
}

// CheckText refuses what is no text, or more than most characters of it.
func CheckText(name, value string, most int) error {
	if !utf8.ValidString(value) || strings.ContainsRune(value, 0) || utf8.RuneCountInString(value) > most {
		return fmt.Errorf("%s: want at most %d characters of text", name, most)
	}
	return nil
}
