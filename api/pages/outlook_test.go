package pages_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"underkeep/api/view"
	"underkeep/api/viewtest"
	"underkeep/store/site"
)

// coming is the section of a property's page, without its tags.
func (b *browser) coming(property string) string {
	b.t.Helper()
	page := b.page("/properties/" + property)
	_, after, found := strings.Cut(page, `id="coming-h"`)
	section, _, _ := strings.Cut(after, "</section>")
	if !found {
		return ""
	}
	return strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(section, " ")), " ")
}

func (b *browser) says(text string, parts ...string) {
	b.t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			b.t.Errorf("%q is not in: %s", p, text)
		}
	}
}

// In the words and units of the house: °F and gallons at heron-07.
func TestWhatIsComing(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.fleet.Props[3].Sump = &site.Sump{BasinDiameterM: 0.45, FloatOffM: 0.15, FloatOnM: 0.30, HighWaterM: 0.40}
	for s := range b.fleet.Values { // wood: 3 days to 16 % at 1 % a day
		if s.Quantity == site.WoodMoisture {
			b.fleet.Values[s] = climbing(13, 1.0/24)
		}
	}
	b.signIn(viewtest.ManagerToken)
	text := b.coming("heron-07")
	b.says(text, "raises no alarm and rules none out", "Humidity Already above 60 %RH.", "Cold Not below 39.2 °F within the next 7 days. north-bay, south-bay",
		"Wood moisture At the present trend above 16.0 % in 3 days", "rising by 1.0 % a day", "Dew on supply-duct tonight", "3.6 °F of the dew point",
		"no weather forecast; the last nights came to", "Nearly all of the pump is left", "gal between the floats", "Were it to fail, the basin would hold")
	if strings.Contains(text, "°C") || strings.Contains(text, "NaN") || strings.Contains(text, "Inf") || strings.Contains(text, "not known") {
		t.Error(text)
	}
}

func climbing(now, perHour float64) []view.Reading {
	var out []view.Reading
	for h := 200.0; h >= 0; h-- {
		out = append(out, view.Reading{At: viewtest.Now.Add(-time.Duration(h) * time.Hour), Value: now - perHour*h})
	}
	return out
}

// A house that has never been heard says so once, for all its points.
func TestNothingIsSaidOfSilence(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.signIn(viewtest.ManagerToken)
	text := b.coming("osprey-11")
	b.says(text, "Humidity Nothing can be said: no reading in the last two hours. mid-bay")
	if strings.Contains(text, "Pump") {
		t.Error(text)
	}
}
