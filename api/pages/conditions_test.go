package pages_test

import (
	"net/http"
	"strings"
	"testing"

	"underkeep/api/viewtest"
)

const conditionsOfHeron = "/properties/heron-07/conditions?from=2026-06-20&to=2026-07-12"

func TestConditionsPage(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.WarrantyToken)
	body := b.page(conditionsOfHeron)
	b.expect(body, "standard-60, version 1", "2026-06-20 through 2026-07-12, 23 local days", "Relative humidity at north-bay", "reported outage",
		"Filter cleaned.", "NaCl", "underkeep verify", "no mold inspection", "no radon test", "no life-safety system")
	b.order(body, "Conditions of the warranty", `id="verdict-h"`, "Longest time above the humidity limit", "By month", "Decision rule", "What this is not")
	if strings.Contains(body, "style=") {
		t.Error("an inline style, which the policy refuses")
	}
	if res := b.send("GET", "/properties/no-such/conditions", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("an unknown house: %d", res.StatusCode)
	}
	res := b.send("GET", "/properties/heron-07/conditions?from=2026-07-12&to=2026-07-01", nil)
	if body := text(res); res.StatusCode != http.StatusBadRequest || !strings.Contains(body, "cannot be meant") {
		t.Errorf("a period that ends before it begins: %d", res.StatusCode)
	}
	if pdf := b.page("/properties/heron-07/report?from=2026-06-20&to=2026-07-12"); !strings.HasPrefix(pdf, "%PDF") {
		t.Errorf("the report begins with %.20q", pdf)
	}
	other := signedIn(t, viewtest.OtherOwnerToken)
	if res := other.send("GET", "/properties/heron-07/conditions", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("somebody else's house: %d", res.StatusCode)
	}
}

func TestWarrantyDesk(t *testing.T) {
	t.Parallel()
	b := signedIn(t, viewtest.WarrantyToken)
	body := b.page("/warranty?q=lane&from=2026-06-20")
	b.expect(body, `href="/properties/heron-07/conditions?from=2026-06-20"`)
	if strings.Contains(body, "gull-03") {
		t.Error("a search finds what does not match")
	}
	res := b.send("GET", "/warranty?q=heron-07&from=2026-06-20&to=2026-07-12", nil)
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != conditionsOfHeron {
		t.Errorf("%d to %s", res.StatusCode, res.Header.Get("Location"))
	}
}
