package asbuilt

import (
	"underkeep/alerting/water"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Requirements of drying, SI inside.
const (
	lPerPint = 3.785411784 / 8
	// dehumidifierLPerDayM2: 70 pint/day per 1,000 ft² of floor.
	dehumidifierLPerDayM2 = 70 * lPerPint / (1000 * foot * foot)
	maxSetpointRHPct      = 60
	// coolSpaceC is 65 °F, a usual temperature under a house and the portable test
	// condition of 10 CFR 430 subpart B appendix X1 (from memory).
	coolSpaceC = (65.0 - 32) * 5 / 9
)

const (
	sourceDehumidifier = "IRC 2021 R408.3 item 2.4: 70 pint/day per 1,000 ft², from memory"
	sourceDerating     = "Winkler, Christensen, Tomerlin, NREL/TP-5500-52791 (2011), generic curve, relative to 80 °F and 60 %RH"
)

// dryingFigures checks the dehumidifier.
func dryingFigures(p site.Property) []Figure {
	if p.Dehumidifier == nil {
		s := spec{part: "drying", name: "dehumidifier", label: "Dehumidifier"}
		return []Figure{s.without(missing("dehumidifier"), nil)}
	}
	return []Figure{capacity(p), derated(p), setpoint(p), drain(p)}
}

func capacity(p site.Property) Figure {
	f := spec{
		"drying", "dehumidifier-capacity", "Rated capacity of the dehumidifier", "floor area × 70 pint/day per 1,000 ft²",
		sourceDehumidifier, units.VolumePerDay,
	}
	area, known := floor(p)
	switch {
	case p.Dehumidifier.CapacityLPerDay == 0:
		return f.without(missing("dehumidifier capacity"), nil)
	case !known:
		return f.without(missing("floor area"), nil)
	}
	req := atLeast(area*dehumidifierLPerDayM2, sourceDehumidifier)
	got := p.Dehumidifier.CapacityLPerDay
	why := share(got/req.Value) + " of what this floor needs"
	if p.ExhaustFan != nil && atLeast(area*exhaustLpsPerM2, "").meets(p.ExhaustFan.FlowLps) {
		return f.judge(got, req, "enough for this floor", Attention, why+"; the exhaust fan meets the code by itself")
	}
	return f.judge(got, req, "enough for this floor", NotMet, why)
}

// derated is what remains of the rating under a house: cooler and drier than where it
// was rated.
func derated(p site.Property) Figure {
	f := spec{
		"drying", "dehumidifier-at-setpoint", "What it removes at 18.3 °C (65 °F) and its set point",
		"rating × (−1.1625 + 0.02271 T − 0.0001132 T² + 0.02111 φ − 0.0000693 φ² + 0.000379 T φ), T in °C, φ in %RH",
		sourceDerating, units.VolumePerDay,
	}
	d := *p.Dehumidifier
	switch {
	case d.CapacityLPerDay == 0:
		return f.without(missing("dehumidifier capacity"), nil)
	case d.SetpointRHPct == 0:
		return f.without(missing("dehumidifier set point"), nil)
	}
	part, err := water.DehumidifierShare(coolSpaceC, d.SetpointRHPct)
	if err != nil {
		return f.verdict(NotChecked, "not checked: "+err.Error())
	}
	return f.value(part*d.CapacityLPerDay, nil, OK,
		share(part)+" of the rating, if that was taken at 80 °F and 60 %RH; a rating at 65 °F loses less. Expect this much, not the label")
}

func setpoint(p site.Property) Figure {
	const source = "US EPA: indoor humidity below 60 %, ideally 30 to 50 %"
	f := spec{"drying", "setpoint", "Set point of the dehumidifier", "as given", source, units.RelHumidity}
	req := atMost(maxSetpointRHPct, source)
	if p.Dehumidifier.SetpointRHPct == 0 {
		return f.without(missing("dehumidifier set point"), req)
	}
	return f.judge(p.Dehumidifier.SetpointRHPct, req, "below where mold starts", NotMet, "too high to keep surfaces dry")
}

func drain(p site.Property) Figure {
	f := spec{"drying", "dehumidifier-drain", "Where the condensate goes", "as given", commonPractice, units.Ratio}
	switch d := p.Dehumidifier.DrainsTo; {
	case d == "":
		return f.without(missing("drain of the dehumidifier"), nil)
	case d == "sump" && p.Sump == nil:
		return f.verdict(NotMet, "it drains to a sump, and the file lists none")
	default:
		return f.verdict(OK, "to the "+map[string]string{"sump": "sump", "outdoors": "outdoors", "drain": "house drain"}[d])
	}
}
