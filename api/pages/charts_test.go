package pages_test

import (
	"encoding/csv"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"underkeep/api/viewtest"
)

// TestExportIsWhatWasMeasured follows a link of the page and compares the file
// with the readings of the fleet.
func TestExportIsWhatWasMeasured(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/properties/heron-07?span=week")
	m := regexp.MustCompile(`/properties/heron-07/readings\.csv\?[^"]*point=supply-duct[^"]*`).FindString(body)
	address := strings.ReplaceAll(m, "&amp;", "&")
	res := b.send("GET", address, nil)
	if res.StatusCode != http.StatusOK || !strings.HasPrefix(res.Header.Get("Content-Type"), "text/csv") {
		t.Fatalf("%s: %d %s", address, res.StatusCode, res.Header.Get("Content-Type"))
	}
	rows, err := csv.NewReader(res.Body).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	// Seven days of five minutes, less seven hours in which nothing was stored,
	// to within what the period is rounded up to.
	if n := len(rows) - 1; n < 7*288-7*12-12 || n > 7*288-7*12+12 {
		t.Errorf("%d readings", n)
	}
	if rows[0][1] != "surface-temp (°C)" {
		t.Errorf("head %q", rows[0])
	}
	for path, want := range map[string]int{
		strings.Replace(address, "supply-duct", "nowhere", 1):                            404,
		strings.Replace(address, "surface-temp", "mood", 1):                              400,
		"/properties/heron-07/readings.csv?point=supply-duct&quantity=surface-temp&to=x": 400,
	} {
		if res := b.send("GET", path, nil); res.StatusCode != want {
			t.Errorf("%s: %d, want %d", path, res.StatusCode, want)
		}
	}
	if res := signedIn(t, viewtest.OtherOwnerToken).send("GET", address, nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("somebody else's readings: %d", res.StatusCode)
	}
}

// TestMoldIndexAdmitsWhatIsNotKnown: readings begin months after the
// installation, so the index may be anything up to full cover.
func TestMoldIndexAdmitsWhatIsNotKnown(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.ManagerToken)
	body := b.page("/properties/heron-07?span=month")
	b.expect(body, "Mold index", "hours nothing is known", "pale band", "V: somebody was there", `class="should"`, "dry limit 30 %RH")
	if day := b.page("/properties/heron-07"); strings.Contains(day, `<b>Mold index</b>`) || !strings.Contains(day, "moves over weeks") {
		t.Error("a day has a chart of the mold index, or does not say why not")
	}
}
