package visit

import (
	"cmp"
	"slices"
	"time"

	"underkeep/store/site"
)

// Terms say how often service is due. Zero switches a task off.
type Terms struct {
	FilterMonths      int
	PumpTestMonths    int
	SensorCheckMonths int
	// ServiceDays is how long the warranty lets a house go without a visit of one
	// of ServiceKinds, and SensorCheckDays how long a sensor without a check; where
	// it says so, SensorCheckMonths does not count.
	ServiceDays     int
	ServiceKinds    []Kind
	SensorCheckDays int
	// UnprovenDays without a pump cycle or test make a pump unproven.
	UnprovenDays int
	// WetSeason begins on WetFrom and ends on WetTo of each year; an unproven
	// pump in it or within WetNotice days before it comes first.
	WetFrom, WetTo MonthDay
	WetNoticeDays  int
}

// MonthDay is a day of every year.
type MonthDay struct {
	Month time.Month
	Day   int
}

// DefaultTerms where a property's warranty says nothing. Filter, pump test and
// sensor check are common practice, no source. The wet season is that of
// Atlantic hurricanes, 1 June to 30 November, as the National Hurricane Center
// defines it.
func DefaultTerms() Terms {
	return Terms{FilterMonths: 6, PumpTestMonths: 12, SensorCheckMonths: 12, UnprovenDays: 90,
		WetFrom: MonthDay{time.June, 1}, WetTo: MonthDay{time.November, 30}, WetNoticeDays: 30}
}

// Task is something that comes due.
type Task string

// The tasks of the service plan.
const (
	TaskFilter      Task = "filter"
	TaskPumpTest    Task = "pump-test"
	TaskSensorCheck Task = "sensor-check"
	TaskUnproven    Task = "unproven-pump"
	TaskService     Task = "service" // the visit that the warranty asks for
)

// Kind of visit that does the task.
func (t Task) Kind() Kind {
	switch t {
	case TaskPumpTest, TaskUnproven:
		return PumpTesting
	case TaskSensorCheck:
		return SensorChecking
	}
	return Service
}

// Origin of a visit planned for the task.
func (t Task) Origin() Origin {
	if t == TaskUnproven {
		return UnprovenPump
	}
	return ByTerms
}

// History is what the service plan of a property rests on. Zero times: never.
type History struct {
	Property   string
	Zone       *time.Location
	Installed  site.Date
	HandedOver time.Time
	Terms      string             // the set of warranty terms in force today; "" none
	Visited    map[Kind]time.Time // when the last visit of each kind was signed off

	Dehumidifier bool
	Pump         bool // there is a primary pump that reports cycles, or a sump
	Reports      bool // cycles of the pump are measured

	Filter   time.Time // last time that a visit cleaned or changed it
	PumpTest time.Time // last test that the primary pump passed
	Cycle    time.Time // last cycle of the primary pump
	Sensors  []SensorHistory
	Open     []Visit // planned and under way
}

// SensorHistory is a humidity point with its last check.
type SensorHistory struct {
	Point string
	Check time.Time
}

// Due is one task of one property with its day.
type Due struct {
	Task   Task
	Points []string  // of a sensor check: those due within a month of the first
	On     site.Date // in the property's zone
	Days   int       // from today; negative: overdue
	Since  time.Time // what the interval runs from; zero: installation
	Wet    bool      // the wet season has begun or is near
	Visit  string    // id of an open visit that will do it; "" none
}

// Overdue says that its day has passed.
func (d *Due) Overdue() bool { return d.Days < 0 }

// urgency orders tasks: the smaller, the sooner somebody should go. An unproven
// pump in the wet season goes before whatever is overdue for less than a
// quarter; what a visit is planned for goes last.
func (d *Due) urgency() int {
	u := d.Days
	if d.Task == TaskUnproven && d.Wet {
		u -= 90
	}
	if d.Visit != "" {
		u += 10_000
	}
	return u
}

// Urgency compares two tasks.
func Urgency(a, b Due) int {
	return cmp.Or(cmp.Compare(a.urgency(), b.urgency()), cmp.Compare(a.Task, b.Task))
}

// Plans lists what is to be done at a property and when, the most urgent first.
// Days are calendar days in the property's zone: an hour that a change of the
// clocks adds or takes moves nothing.
func Plans(h History, t Terms, now time.Time) []Due {
	p := planner{h: h, t: t, today: site.DateOf(now.In(h.Zone))}
	var out []Due
	if h.Dehumidifier && t.FilterMonths > 0 {
		out = append(out, p.every(TaskFilter, h.Filter, t.FilterMonths))
	}
	if h.Pump && t.PumpTestMonths > 0 {
		out = append(out, p.every(TaskPumpTest, h.PumpTest, t.PumpTestMonths))
	}
	if h.Pump && h.Reports && t.UnprovenDays > 0 {
		out = append(out, p.unproven())
	}
	if t.ServiceDays > 0 {
		out = append(out, p.service())
	}
	if d, ok := p.sensors(); ok {
		out = append(out, d)
	}
	slices.SortStableFunc(out, Urgency)
	return out
}

type planner struct {
	h     History
	t     Terms
	today site.Date
}

// from is the day that an interval runs from.
func (p *planner) from(last time.Time) site.Date {
	if last.IsZero() {
		last = p.h.HandedOver
	}
	if last.IsZero() {
		return p.h.Installed
	}
	return site.DateOf(last.In(p.h.Zone))
}

func (p *planner) every(task Task, last time.Time, months int) Due {
	return p.due(Due{Task: task, Since: last, On: AddMonths(p.from(last), months)})
}

func (p *planner) due(d Due) Due {
	d.Days = DaysBetween(p.today, d.On)
	for _, v := range p.h.Open {
		if d.Visit == "" && p.does(v, d.Task) {
			d.Visit = v.ID
		}
	}
	return d
}

// does says whether an open visit is for a task: a service visit does all.
func (p *planner) does(v Visit, t Task) bool {
	return v.Kind == Service || v.Kind == HandOver || v.Kind == t.Kind()
}

// service is the last day on which the warranty's visit is in time.
func (p *planner) service() Due {
	var last time.Time
	for _, k := range p.t.ServiceKinds {
		if at := p.h.Visited[k]; at.After(last) {
			last = at
		}
	}
	return p.due(Due{Task: TaskService, Since: last, On: p.from(last).AddDays(p.t.ServiceDays)})
}

// sensor is when the check of a sensor is due.
func (p *planner) sensor(last time.Time) Due {
	if p.t.SensorCheckDays > 0 {
		return p.due(Due{Task: TaskSensorCheck, Since: last, On: p.from(last).AddDays(p.t.SensorCheckDays)})
	}
	return p.every(TaskSensorCheck, last, p.t.SensorCheckMonths)
}

// unproven is when the pump has shown nothing for too long.
func (p *planner) unproven() Due {
	proof := p.h.Cycle
	if p.h.PumpTest.After(proof) {
		proof = p.h.PumpTest
	}
	d := p.due(Due{Task: TaskUnproven, Since: proof, On: p.from(proof).AddDays(p.t.UnprovenDays)})
	d.Wet = p.wetNear()
	return d
}

// wetNear says whether the wet season has begun or begins within the notice.
func (p *planner) wetNear() bool {
	if p.t.WetFrom == (MonthDay{}) || p.t.WetTo == (MonthDay{}) {
		return false
	}
	for year := p.today.Year - 1; year <= p.today.Year+1; year++ {
		from := site.Date{Year: year, Month: p.t.WetFrom.Month, Day: p.t.WetFrom.Day}.AddDays(-p.t.WetNoticeDays)
		to := site.Date{Year: year, Month: p.t.WetTo.Month, Day: p.t.WetTo.Day}
		if to.Before(from) { // over the turn of the year
			to.Year++
		}
		if !p.today.Before(from) && !to.Before(p.today) {
			return true
		}
	}
	return false
}

// sensors puts the checks of a property together: somebody who goes for one
// takes those along that follow within a month.
func (p *planner) sensors() (Due, bool) {
	if len(p.h.Sensors) == 0 || p.t.SensorCheckMonths <= 0 && p.t.SensorCheckDays <= 0 {
		return Due{}, false
	}
	var all []Due
	for _, s := range p.h.Sensors {
		d := p.sensor(s.Check)
		d.Points = []string{s.Point}
		all = append(all, d)
	}
	slices.SortStableFunc(all, func(a, b Due) int { return cmp.Or(cmp.Compare(a.Days, b.Days), cmp.Compare(a.Points[0], b.Points[0])) })
	first := all[0]
	for _, d := range all[1:] {
		if d.Days <= first.Days+30 {
			first.Points = append(first.Points, d.Points[0])
		}
	}
	return first, true
}

// AddMonths is the same day so many months later, or the last of that month
// where it has none: a year from 29 February is 28 February.
func AddMonths(d site.Date, months int) site.Date {
	first := time.Date(d.Year, d.Month+time.Month(months), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return site.Date{Year: first.Year(), Month: first.Month(), Day: min(d.Day, last)}
}

// DaysBetween counts the calendar days from a to b, negative when b is before.
func DaysBetween(a, b site.Date) int {
	utc := func(d site.Date) time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }
	return int(utc(b).Sub(utc(a)) / (24 * time.Hour))
}
