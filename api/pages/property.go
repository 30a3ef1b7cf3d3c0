package pages

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/pages/section"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/asbuilt"
	"underkeep/store/site/units"
)

type propertyPage struct {
	frame
	ID, Name, Area string
	State          state
	Heard          string
	Installed      string
	Drying         string // progress of commissioning; "" when it is over
	Failure        bool
	Shared         []string     // what it has in common with other houses
	Alarms         []alarmShown // that hold
	Unanswered     []alarmShown // over, and nobody has said that they saw them
	MayAnswer      int          // how many this person may acknowledge
	Explained      []alarmShown
	Past           []alarmShown
	Now            []pointNow
	Section        template.HTML
	Coming         []comingShown
	Weather        []string // where rain and forecast come from
	Spans          []span
	Charts         []chartShown
	MoldLater      string // why there is no chart of the mold index
	Visited        bool   // a visit is marked on the charts
	Export         []exportShown
	Zone           string
	AsBuilt        []figureShown
	Visits         []visitLine
	MayPlan        bool
	Cautions       []string
	OwnerName      string
	OwnerReach     string
}

type pointNow struct {
	Label        string // the same as in the drawing
	Point, Place string
	Values       []valueNow
}

type valueNow struct {
	What, Value, When string
	Old               bool // older than it holds
}

type figureShown struct{ Label, Value, Need, Verdict, Status string }

func (p *pages) property(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	prop, err := p.Source.Property(r.Context(), who.Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := p.propertyFrame(r, prop)
	for _, f := range []func(context.Context, *propertyPage, view.Property, visit, string) error{p.addAlarms, p.addShared, p.addNow, p.addOutlook, p.addWeather, p.addCharts, p.addVisits} {
		if err := f(r.Context(), &page, prop, who, r.URL.Query().Get("span")); err != nil {
			p.fail(w, r, err)
			return
		}
	}
	addAsBuilt(&page, prop)
	p.render(w, r, http.StatusOK, "property.html", page)
}

func (p *pages) propertyFrame(r *http.Request, prop view.Property) propertyPage {
	now, zone := p.Now(), zoneOf(prop.Property)
	page := propertyPage{
		frame: p.frame(r, prop.Name), ID: prop.ID, Name: prop.Name, Area: prop.Area, State: stateOf(prop.Priority()),
		Heard: "Nothing has been heard from this house yet.", Failure: prop.Failure != "",
		Installed: installedAt(prop.Property, zone).Format("January 2, 2006"), Zone: prop.Timezone,
		Drying: drying(prop.Property, now, zone),
	}
	page.Changes = "/properties/" + prop.ID + "/changes"
	if !prop.LastReceived.IsZero() {
		page.Heard = "Last heard " + ago(now.Sub(prop.LastReceived)) + "."
	}
	if visitOf(r).May(view.SeeOwner) {
		page.OwnerName, page.OwnerReach = prop.Owner.Name, firstText(prop.Owner.Phone, prop.Owner.Email)
	}
	return page
}

func firstText(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

func installedAt(p site.Property, zone *time.Location) time.Time {
	return time.Date(p.Installed.Year, p.Installed.Month, p.Installed.Day, 0, 0, 0, 0, zone)
}

// drying says how far the commissioning period has come: some alarms rest in it.
func drying(p site.Property, now time.Time, zone *time.Location) string {
	end := installedAt(p, zone).Add(p.Commissioning)
	if !now.Before(end) {
		return ""
	}
	total, done := int(p.Commissioning.Hours()/24), int(now.Sub(installedAt(p, zone)).Hours()/24)
	return fmt.Sprintf("Drying out: day %d of %d. Humidity, wood and mold alarms rest until then; water and power alarms do not.", done+1, total)
}

func (p *pages) addAlarms(ctx context.Context, page *propertyPage, prop view.Property, who visit, _ string) error {
	tell := p.teller(prop, who.Principal, page.frame)
	said := make(map[string]string) // likeliest cause to the label of its alarm
	for i, a := range prop.Open {
		shown := tell.alarm(a)
		shown.Label = strconv.Itoa(i + 1)
		if shown.MayAcknowledge {
			page.MayAnswer++
		}
		if a.Over() {
			page.Unanswered = append(page.Unanswered, shown)
			continue
		}
		if c := shown.Cause; c != nil {
			if shown.SameAs = said[c.Advice.Cause]; shown.SameAs == "" {
				said[c.Advice.Cause] = shown.Label
			}
		}
		page.Alarms = append(page.Alarms, shown)
	}
	rest, _, err := p.Source.Alarms(ctx, who.Scope(), view.AlarmQuery{
		Property: prop.ID, Limit: 20,
		States: []view.State{view.Suppressed, view.Shelved, view.OutOfService, view.Normal},
	})
	if err != nil {
		return err
	}
	for _, a := range rest {
		shown := tell.alarm(a)
		switch {
		case a.State != view.Normal:
			page.Explained = append(page.Explained, shown)
		case a.SuppressedBy == "":
			page.Past = append(page.Past, shown)
		}
	}
	return nil
}

func (p *pages) addNow(ctx context.Context, page *propertyPage, prop view.Property, who visit, _ string) error {
	latest, err := p.Source.Latest(ctx, who.Scope(), prop.ID)
	if err != nil {
		return err
	}
	now, zone := p.Now(), zoneOf(prop.Property)
	scene := section.Scene{Property: prop.Property, LevelM: -1}
	for i, point := range prop.Points {
		shown := pointNow{Label: letters(i), Point: point.ID, Place: place(point)}
		spot := section.Spot{Point: point, Label: shown.Label, Wrong: names(prop.Open, point.ID)}
		for _, q := range point.Measures {
			v := valueNow{What: quantityWords[q], Value: "nothing yet"}
			if l, ok := find(latest, point.ID, q); ok {
				v.Value, v.When = show(q, l.Value, prop.Units), clock(l.At, now, zone)
				// A reading holds for twice its interval; beyond that it is no present value.
				v.Old = point.Every > 0 && now.Sub(l.At) > 2*point.Every
				spot.Old = spot.Old || v.Old
				spot.Values = drawn(spot.Values, q, v)
				if q == site.WaterLevel && !v.Old {
					scene.LevelM = l.Value / 1000
				}
			}
			shown.Values = append(shown.Values, v)
		}
		page.Now = append(page.Now, shown)
		scene.Spots = append(scene.Spots, spot)
	}
	page.Section = scene.SVG()
	return nil
}

// drawn adds a value to those that stand in the drawing: an old one says
// nothing of the present, a battery nothing of the space.
func drawn(values []string, q site.Quantity, v valueNow) []string {
	if v.Old || q == site.Battery {
		return values
	}
	if q == site.PumpRun {
		v.Value = "ran " + v.Value
	}
	return append(values, v.Value)
}

// letters name points: A to Z, then A1, B1 and so on. Alarms have numbers.
func letters(i int) string {
	l := string(rune('A' + i%26))
	if i >= 26 {
		l += strconv.Itoa(i / 26)
	}
	return l
}

// names says whether an alarm that holds names the point.
func names(open []view.Alarm, point string) bool {
	return slices.ContainsFunc(open, func(a view.Alarm) bool { return a.Point == point && !a.Over() })
}

func place(p site.Point) string {
	switch {
	case p.Outdoors && p.ID != "outdoors":
		return "outdoors"
	case p.Surface != "":
		return "on the " + p.Surface
	case p.Pump != "":
		return p.Pump + " pump"
	case p.Circuit != "":
		return p.Circuit + " outlet"
	}
	return ""
}

func find(latest []view.Latest, point string, q site.Quantity) (view.Latest, bool) {
	i := slices.IndexFunc(latest, func(l view.Latest) bool { return l.Point == point && l.Quantity == q })
	if i < 0 {
		return view.Latest{}, false
	}
	return latest[i], true
}

// humidityNow is the median humidity of the indoor air in words for the owner.
func humidityNow(p view.Property, latest []view.Latest, now time.Time) string {
	var values []float64
	for _, point := range p.Points {
		l, ok := find(latest, point.ID, site.RH)
		if ok && !point.Outdoors && (point.Every == 0 || now.Sub(l.At) <= 2*point.Every) {
			values = append(values, l.Value)
		}
	}
	if len(values) == 0 {
		return ""
	}
	slices.Sort(values)
	n := len(values)
	median := (values[(n-1)/2] + values[n/2]) / 2
	word := "as it should be"
	switch {
	case median > p.Limits.Value(site.HumidityHigh, "above"):
		word = "too humid"
	case median < p.Limits.Value(site.HumidityDrift, "below"):
		word = "very dry"
	}
	return fmt.Sprintf("The air under the house is at %.0f %% relative humidity, %s.", median, word)
}

func addAsBuilt(page *propertyPage, prop view.Property) {
	words := map[asbuilt.Status]string{asbuilt.OK: "fits", asbuilt.Attention: "look at it", asbuilt.NotMet: "not met", asbuilt.NotChecked: "not checked"}
	report := asbuilt.Check(prop.Property)
	for _, f := range report.Figures {
		shown := figureShown{Label: f.Label, Verdict: f.Verdict, Status: words[f.Status]}
		if f.HasValue {
			shown.Value = units.Format(f.Dimension, f.Value, prop.Units)
		}
		if q := f.Requirement; q != nil {
			shown.Need = q.Compare + " " + units.Format(f.Dimension, q.Value, prop.Units)
			if q.Compare == "between" {
				shown.Need += " and " + units.Format(f.Dimension, q.Upper, prop.Units)
			}
		}
		page.AsBuilt = append(page.AsBuilt, shown)
	}
	page.Cautions = report.Cautions
}
