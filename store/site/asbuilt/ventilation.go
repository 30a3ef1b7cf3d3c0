package asbuilt

import (
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Requirements of ventilation, SI inside.
const (
	lpsPerCfm = foot * foot * foot * 1000 / 60
	// exhaustLpsPerM2: 1 cfm per 50 ft² of floor.
	exhaustLpsPerM2 = lpsPerCfm / (50 * foot * foot)
	// ventAreaShare: net free area of vents, 1/150 of the floor.
	ventAreaShare = 1.0 / 150
)

const (
	sourceExhaust = "IRC R408.3 item 2.1: 1 cfm per 50 ft², continuous"
	sourceVents   = "IRC R408.1/R408.2: 1 ft² per 150 ft² (1 per 1,500 over a Class I ground retarder with cross-ventilation)"
	sourceOptions = "IRC R408.3 item 2: exhaust, conditioned supply air, or dehumidification (70 pint/day per 1,000 ft², from memory)"
)

// ventilationFigures checks how an unvented space is kept dry by air.
func ventilationFigures(p site.Property) []Figure {
	return []Figure{exhaust(p), airChanges(p), moistureOption(p), ventArea(p)}
}

// floor area of the property, false when the file leaves it out.
func floor(p site.Property) (float64, bool) {
	if p.Space == nil || p.Space.FloorAreaM2 == 0 {
		return 0, false
	}
	return p.Space.FloorAreaM2, true
}

func exhaust(p site.Property) Figure {
	f := spec{
		"ventilation", "exhaust-flow", "Exhaust airflow", "floor area × 1 cfm/50 ft²; installed airflow, not the fan's label",
		sourceExhaust, units.AirFlow,
	}
	area, known := floor(p)
	if p.ExhaustFan == nil || p.ExhaustFan.FlowLps == 0 {
		var req *Requirement
		if known {
			req = atLeast(area*exhaustLpsPerM2, sourceExhaust)
		}
		return f.without(missing("exhaust fan"), req)
	}
	if !known {
		return f.without(missing("floor area"), nil)
	}
	req := atLeast(area*exhaustLpsPerM2, sourceExhaust)
	return f.judge(p.ExhaustFan.FlowLps, req, "enough for this floor", NotMet,
		share(p.ExhaustFan.FlowLps/req.Value)+" of what this floor needs")
}

func airChanges(p site.Property) Figure {
	f := spec{
		"ventilation", "air-changes", "Air changes of the space by the fan", "Q/(floor area × height)",
		geometry, units.PerHour,
	}
	switch area, known := floor(p); {
	case p.ExhaustFan == nil || p.ExhaustFan.FlowLps == 0:
		return f.without(missing("exhaust fan"), nil)
	case !known || p.Space.HeightM == 0:
		return f.without(missing("floor area or height of the space"), nil)
	default:
		return f.value(p.ExhaustFan.FlowLps*3.6/(area*p.Space.HeightM), nil, OK, "the air comes from the house above and from leaks")
	}
}

// moistureOption asks whether any of the accepted ways to keep an unvented space dry
// is installed and large enough.
func moistureOption(p site.Property) Figure {
	f := spec{
		"ventilation", "moisture-control", "A way to keep the unvented space dry", "exhaust, supply air or dehumidifier of the size the code asks for",
		sourceOptions, units.Ratio,
	}
	area, known := floor(p)
	if !known {
		return f.without(missing("floor area"), nil)
	}
	var enough, small []string
	note := func(name string, has, req float64) {
		switch {
		case has == 0:
		case atLeast(req, "").meets(has):
			enough = append(enough, name)
		default:
			small = append(small, name)
		}
	}
	if p.ExhaustFan != nil {
		note("the exhaust fan", p.ExhaustFan.FlowLps, area*exhaustLpsPerM2)
	}
	if p.Dehumidifier != nil {
		note("the dehumidifier", p.Dehumidifier.CapacityLPerDay, area*dehumidifierLPerDayM2)
	}
	switch {
	case len(enough) == 1:
		return f.verdict(OK, enough[0]+" is enough by itself")
	case len(enough) > 1:
		return f.verdict(OK, list(enough)+" are each enough by themselves")
	case len(small) > 0:
		return f.verdict(NotMet, "too small for this floor: "+list(small))
	}
	return f.verdict(NotMet, "the file lists none with its size; if conditioned supply air serves the space, the code is met another way")
}

// ventArea is for information: the file does not list vents.
func ventArea(p site.Property) Figure {
	f := spec{
		"ventilation", "vent-area-if-vented", "Net free vent area if the space were vented instead", "floor area/150",
		sourceVents, units.Area,
	}
	area, known := floor(p)
	if !known {
		return f.without(missing("floor area"), nil)
	}
	return f.value(area*ventAreaShare, nil, NotChecked, "not checked: the file lists no vents; a sealed space has none")
}
