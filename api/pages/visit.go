package pages

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/alerting/air"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/asbuilt"
	"underkeep/store/site/units"
	field "underkeep/store/visit"
)

// visitPage is one visit: the way through it while it is under way, what came
// of it afterwards.
type visitPage struct {
	frame
	Step     string // "" the visit itself
	Key      string
	Error    string
	In       url.Values
	Visit    visitLine
	Planned  bool
	UnderWay bool
	Over     bool
	HandOver bool
	MayWrite bool
	MayPlan  bool
	Began    string
	Ended    string
	By       string
	From     string // what asked for it
	Steps    []stepLine
	Disturbs []option
	People   []option
	DueDay   string // as a form field
	Caution  []string
	Held     []string
	Until    string
	Record   recordShown
	Sensors  []sensorLine
	Gateways []gatewayLine
	Ready    string // how many sensors have come up
	Missing  []string
	Pump     pumpShown
	Points   []option
	Salts    []option
	Quantity []option
	Work     []option
	TempUnit string
	VolUnit  string
	Volumes  []option
}

// stepLine is one part of the way through a visit.
type stepLine struct {
	Step, Title, Says string
	Done              bool
}

// recordShown is what was recorded, ready to be read.
type recordShown struct {
	Findings string
	Work     []string
	Readings []string
	Parts    []string
	Photos   []field.Photo
	Checks   []checkShown
	Tests    []testShown
	Journal  []entryShown
}

type checkShown struct {
	ID, Point, Says string
	Within          bool
}

type testShown struct {
	ID, Says, Against string
	Ran               bool
}

type entryShown struct{ At, What, By, Why string }

// pumpShown is what is known of the pump before it is tested.
type pumpShown struct {
	Has      bool
	Expected string   // by the as-built figures
	Seen     []string // cycles that the gateway has told of lately
}

func (p *pages) visit(w http.ResponseWriter, r *http.Request) {
	p.showVisit(w, r, http.StatusOK, "", nil, "")
}

// steps of a visit, in the order in which hands would do them.
var steps = []struct {
	step, title string
	kinds       []field.Kind // nil: all
}{
	{"sensors", "Sensors", nil},
	{"pump", "Pump test", []field.Kind{field.HandOver, field.PumpTesting, field.Service, field.Repair}},
	{"salt", "Salt check", []field.Kind{field.HandOver, field.SensorChecking, field.Service}},
	{"readings", "Readings and parts", nil},
	{"photos", "Photos", nil},
	{"finish", "Findings and sign-off", nil},
}

func (p *pages) step(w http.ResponseWriter, r *http.Request) {
	step := chi.URLParam(r, "step")
	for _, s := range steps {
		if s.step == step {
			p.showVisit(w, r, http.StatusOK, step, nil, "")
			return
		}
	}
	p.fail(w, r, view.ErrNotFound)
}

// showVisit renders a visit or a step of it; in and wrong bring a form back that
// was not accepted.
func (p *pages) showVisit(w http.ResponseWriter, r *http.Request, status int, step string, in url.Values, wrong string) {
	who := visitOf(r)
	v, err := p.Source.Visit(r.Context(), who.Scope(), chi.URLParam(r, "id"))
	if err == nil && !who.May(view.ReadVisits) {
		err = view.ErrNotFound
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	prop, err := p.Source.Property(r.Context(), who.Scope(), v.Property)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := p.visitPage(r, v, prop)
	page.Step, page.In, page.Error = step, in, wrong
	if in == nil {
		page.In = url.Values{}
	}
	if step != "" && !(page.UnderWay && page.MayWrite) {
		http.Redirect(w, r, "/visits/"+v.ID, http.StatusSeeOther)
		return
	}
	if err := p.fillStep(r, &page, v, prop); err != nil {
		p.fail(w, r, err)
		return
	}
	name := "visit.html"
	if step != "" {
		name = "visit-step.html"
	}
	p.render(w, r, status, name, page)
}

func (p *pages) visitPage(r *http.Request, v field.Record, prop view.Property) visitPage {
	who, now, zone := visitOf(r), p.Now(), zoneOf(prop.Property)
	page := visitPage{frame: p.frame(r, kindWords[v.Kind]+" at "+prop.Name), Key: newKey(), Visit: p.line(v.Visit),
		Planned: v.State == field.Planned, UnderWay: v.State == field.UnderWay, Over: !v.Open(), HandOver: v.Kind == field.HandOver,
		MayWrite: who.May(view.RecordVisits), MayPlan: who.May(view.PlanVisits), From: originWords[v.Origin]}
	page.Refresh = false
	page.Visit.Name, page.Visit.Area = prop.Name, prop.Area
	if !v.StartedAt.IsZero() {
		page.Began = clock(v.StartedAt, now, zone)
	}
	if !v.EndedAt.IsZero() {
		page.Ended = clock(v.EndedAt, now, zone)
	}
	if who.Role != view.OwnerRole {
		page.By = v.StartedBy
		if page.Over {
			page.By = v.EndedBy
		}
	} else {
		page.Visit.Who, page.Visit.Crew = "", ""
	}
	for _, h := range v.Holds {
		if title := wordsFor(h.Condition).Title; !slices.Contains(page.Held, title) {
			page.Held = append(page.Held, title)
		}
		page.Until = clock(h.Until, now, zone)
	}
	page.Record = p.record(v, prop, who.Role != view.OwnerRole)
	return page
}

func (p *pages) record(v field.Record, prop view.Property, journal bool) recordShown {
	now, zone := p.Now(), zoneOf(prop.Property)
	out := recordShown{Findings: v.Findings, Photos: v.Photos}
	for _, k := range v.Work {
		out.Work = append(out.Work, workWords[k])
	}
	for _, h := range v.Readings {
		text := handWords[h.Quantity] + " " + h.Quantity.Show(h.Value, prop.Units)
		if h.Place != "" {
			text += ", " + h.Place
		}
		out.Readings = append(out.Readings, text)
	}
	for _, x := range v.Parts {
		text := fmt.Sprintf("%d × %s", x.Pieces, x.Part)
		if x.Serial != "" {
			text += ", serial " + x.Serial
		}
		out.Parts = append(out.Parts, text)
	}
	for _, c := range v.Checks {
		out.Checks = append(out.Checks, showCheck(c, prop.Units))
	}
	for _, t := range v.Tests {
		out.Tests = append(out.Tests, showTest(t, prop.Property))
	}
	if journal {
		for _, e := range v.Journal {
			out.Journal = append(out.Journal, entryShown{clock(e.At, now, zone), strings.ReplaceAll(e.Kind, "-", " "), e.Actor, e.Why})
		}
	}
	return out
}

// showCheck says how a sensor stood over its salt.
func showCheck(c field.SensorCheck, sys units.System) checkShown {
	way := "high"
	if c.OffsetPct < 0 {
		way = "low"
	}
	says := fmt.Sprintf("reads %.1f %%RH over %s at %s, where it should read %.1f: %.1f too %s (± %.1f)", c.ReadPct, c.Salt,
		units.Format(units.Temperature, c.TempC, sys), c.ExpectedPct, max(c.OffsetPct, -c.OffsetPct), way, 2*c.OffsetStandardPct)
	return checkShown{c.ID, c.Point, says, c.Within}
}

// showTest says what a pump did, and how that compares with what was built.
func showTest(t field.PumpTest, prop site.Property) testShown {
	out := testShown{ID: t.ID, Ran: t.Ran}
	pump := "Pump"
	if t.Pump == field.Backup {
		pump = "Backup pump"
	}
	switch {
	case !t.Ran:
		out.Says = pump + " did not run"
	case t.Method == field.ByFloat:
		out.Says = pump + " ran when its float was lifted"
	default:
		out.Says = fmt.Sprintf("%s moved %s in %.1f s: %s", pump, units.Format(units.Volume, t.PouredL, prop.Units), t.DrawDownS,
			units.Format(units.Flow, t.FlowLps(), prop.Units))
		out.Against = againstBuilt(t, prop)
	}
	return out
}

// withinBuilt is by how much a bucket test may differ from the as-built figures
// and still agree with them (common practice, no source).
const withinBuilt = 0.25

func againstBuilt(t field.PumpTest, prop site.Property) string {
	if prop.Sump == nil || t.Pump != field.Primary {
		return ""
	}
	built, ok := asbuilt.DrawDown(*prop.Sump)
	if !ok {
		return ""
	}
	figures := fmt.Sprintf("as built it should take %.1f s", built)
	switch ratio := t.DrawDownS / built; {
	case ratio > 1+withinBuilt:
		return figures + ": slower. Look at the check valve, the line and the inlet before you leave"
	case ratio < 1-withinBuilt:
		return figures + ": quicker. See whether the floats stand where the file says"
	}
	return figures + ": agrees"
}

func (p *pages) fillStep(r *http.Request, page *visitPage, v field.Record, prop view.Property) error {
	page.TempUnit, page.VolUnit = "C", "L"
	if prop.Units == site.US {
		page.TempUnit, page.VolUnit = "F", "gal"
	}
	var err error
	switch page.Step {
	case "":
		err = p.fillOverview(r, page, v, prop)
	case "sensors":
		page.Refresh, page.Caution = true, nil
		page.Changes = "/properties/" + prop.ID + "/changes"
		err = p.fillSensors(r, page, prop)
	case "pump":
		page.Caution = []string{cautionWater}
		err = p.fillPump(r, page, prop)
	case "salt":
		page.Caution = []string{cautionSalt}
		p.fillSalt(page, prop)
	case "readings":
		for _, q := range field.Quantities() {
			page.Quantity = append(page.Quantity, option{string(q), handWords[q] + " (" + handUnit(q, prop.Units) + ")", string(q) == page.In.Get("quantity")})
		}
	case "finish":
		p.fillFinish(page, v)
		err = p.fillMissing(r, page, v, prop)
	}
	return err
}

// handUnit is the unit in which a technician of the property reads a quantity.
func handUnit(q field.Quantity, sys units.System) string {
	if sys == units.US {
		switch q {
		case field.HandAirTemp, field.HandSurfaceTemp:
			return "F"
		case field.HandWaterLevel:
			return "in"
		case field.HandFlow:
			return "gpm"
		}
	}
	return q.Unit()
}

func (p *pages) fillOverview(r *http.Request, page *visitPage, v field.Record, prop view.Property) error {
	if page.UnderWay && page.MayWrite {
		page.Steps = stepsOf(v)
	}
	if !v.Open() || !page.MayWrite {
		return nil
	}
	if err := p.equip(r, &page.Visit); err != nil {
		return err
	}
	if page.Planned {
		page.Caution = []string{cautionSpace, cautionPlug}
		for _, d := range field.Disturbances() {
			page.Disturbs = append(page.Disturbs, option{string(d), disturbWords[d], slices.Contains(usualDisturbs[v.Kind], d)})
		}
	}
	if !page.MayPlan {
		return nil
	}
	if v.DueOn != nil {
		page.DueDay = v.DueOn.String()
	}
	people, err := p.Source.Assignable(r.Context(), visitOf(r).Scope(), prop.ID)
	for _, a := range people {
		page.People = append(page.People, option{fmt.Sprint(a.Person), a.Name, a.Person == v.AssignedTo})
	}
	return err
}

// stepsOf says how far each step has come.
func stepsOf(v field.Record) []stepLine {
	count := func(n int, one, many string) string {
		switch n {
		case 0:
			return "nothing yet"
		case 1:
			return "1 " + one
		}
		return fmt.Sprintf("%d %s", n, many)
	}
	var out []stepLine
	for _, s := range steps {
		if s.kinds != nil && !slices.Contains(s.kinds, v.Kind) {
			continue
		}
		line := stepLine{Step: s.step, Title: s.title}
		switch s.step {
		case "sensors":
			line.Says = "see them come up"
		case "pump":
			line.Says, line.Done = count(len(v.Tests), "test", "tests"), len(v.Tests) > 0
		case "salt":
			line.Says, line.Done = count(len(v.Checks), "sensor checked", "sensors checked"), len(v.Checks) > 0
		case "readings":
			n := len(v.Readings) + len(v.Parts)
			line.Says, line.Done = count(n, "entry", "entries"), n > 0
		case "photos":
			line.Says, line.Done = count(len(v.Photos), "photo", "photos"), len(v.Photos) > 0
		case "finish":
			line.Says = "last"
		}
		out = append(out, line)
	}
	return out
}

// fillPump says what to expect of the pump, and which cycles have been heard.
func (p *pages) fillPump(r *http.Request, page *visitPage, prop view.Property) error {
	if s := prop.Sump; s != nil {
		page.Pump.Has = true
		litres, ok := asbuilt.StorageL(*s)
		seconds, ok2 := asbuilt.DrawDown(*s)
		switch {
		case ok && ok2:
			page.Pump.Expected = fmt.Sprintf("As built, %s lie between the floats and the pump takes %.0f s for them.", units.Format(units.Volume, litres, prop.Units), seconds)
		case ok:
			page.Pump.Expected = fmt.Sprintf("As built, %s lie between the floats.", units.Format(units.Volume, litres, prop.Units))
		}
	}
	now := p.Now()
	for _, pt := range prop.Points {
		if !slices.Contains(pt.Measures, site.PumpRun) {
			continue
		}
		found, err := p.Source.Readings(r.Context(), visitOf(r).Scope(), view.SeriesQuery{Property: prop.ID, Point: pt.ID, Quantity: site.PumpRun,
			From: now.Add(-2 * time.Hour), To: now.Add(time.Minute)}, 50)
		if err != nil {
			return err
		}
		for _, x := range found[max(len(found)-5, 0):] {
			page.Pump.Seen = append(page.Pump.Seen, fmt.Sprintf("%s: ran %.0f s", x.At.In(zoneOf(prop.Property)).Format("15:04:05"), x.Value))
		}
	}
	return nil
}

// fillSalt offers the sensors and the salts.
func (p *pages) fillSalt(page *visitPage, prop view.Property) {
	for _, pt := range prop.Points {
		if slices.Contains(pt.Measures, site.RH) {
			page.Points = append(page.Points, option{pt.ID, pt.ID, pt.ID == page.In.Get("point")})
		}
	}
	chosen := page.In.Get("salt")
	if chosen == "" {
		chosen = air.SodiumChloride.String()
	}
	for _, s := range air.Salts() {
		text := s.Name()
		if rh, err := air.ExpectedRH(s, 20); err == nil {
			text += fmt.Sprintf(" (%.0f %%RH)", rh.RHPct)
		}
		page.Salts = append(page.Salts, option{s.String(), text, s.String() == chosen})
	}
}

func (p *pages) fillFinish(page *visitPage, v field.Record) {
	if page.In.Get("findings") == "" {
		page.In.Set("findings", v.Findings)
	}
	for _, k := range field.Works() {
		page.Work = append(page.Work, option{string(k), workWords[k], slices.Contains(v.Work, k) || slices.Contains(page.In["work"], string(k))})
	}
}

// fillMissing says what a hand-over still lacks. It keeps nobody from signing.
func (p *pages) fillMissing(r *http.Request, page *visitPage, v field.Record, prop view.Property) error {
	if err := p.fillSensors(r, page, prop); err != nil || !page.HandOver {
		return err
	}
	for _, s := range page.Sensors {
		if s.Bad {
			page.Missing = append(page.Missing, s.Point+": "+s.Says)
		}
	}
	if prop.Sump != nil && !slices.ContainsFunc(v.Tests, func(t field.PumpTest) bool { return t.Ran && t.Method == field.ByBucket }) {
		page.Missing = append(page.Missing, "No bucket test: later cycles are held against the as-built figures, not against this pump.")
	}
	if len(v.Checks) == 0 {
		page.Missing = append(page.Missing, "No salt check: the sensors' own accuracy is all that stands behind their figures.")
	}
	return nil
}
