package site

import "fmt"

// Missing lists in plain words what the description leaves out and what is
// therefore not checked or not watched.
func (p *Property) Missing() []string {
	var out []string
	out = append(out, p.missingSpace()...)
	out = append(out, p.missingSump()...)
	out = append(out, p.missingPoints()...)
	return append(out, p.missingPeople()...)
}

// gap is one thing left out and its consequence.
type gap struct {
	open bool
	text string
}

func openGaps(gaps []gap) []string {
	var out []string
	for _, g := range gaps {
		if g.open {
			out = append(out, g.text)
		}
	}
	return out
}

func (p *Property) missingSpace() []string {
	d := p.Dehumidifier
	return openGaps([]gap{
		{p.Space == nil, "space is left out: ventilation and dehumidifier capacity are not checked against the floor area"},
		{p.Space != nil && p.Space.HeightM == 0, "space.height is left out: the air volume is not known"},
		{d == nil, "dehumidifier is left out: it is not checked, and dehumidifier-idle and dehumidifier-weak are not watched"},
		{d != nil && d.CapacityLPerDay == 0, "dehumidifier.capacity is left out: the capacity is not checked"},
		{d != nil && d.DrainsTo == "", "dehumidifier.drains_to is left out: where its water goes is not known"},
		{d != nil && d.DrainsTo == "sump" && p.Sump == nil, "the dehumidifier drains to a sump that is not described"},
		{p.ExhaustFan == nil, "exhaust_fan is left out: mechanical ventilation is not checked"},
	})
}

func (p *Property) missingSump() []string {
	s := p.Sump
	if s == nil {
		return []string{"sump is left out: basin, pump and discharge line are not checked"}
	}
	out := openGaps([]gap{
		{s.BasinDiameterM == 0, "sump.basin_diameter is left out: the basin's volume, cycle times and pumped volume are not known"},
		{s.FloatOnM == 0, "sump.float_on is left out: the stored volume and cycle times are not known"},
		{s.FloatOffM == 0, "sump.float_off is left out (taken as the basin floor)"},
		{s.HighWaterM == 0, "sump.high_water is left out: a measured water level raises no high-water alarm"},
		{s.Pump == nil, "sump.pump is left out: its capacity is not checked"},
		{s.Pump != nil && !s.Pump.hasCurve(), "sump.pump has no curve (rated_flow with shutoff_head, or curve points): the flow at the real head is not known"},
		{s.BackupPump == nil, "sump.backup_pump is left out: it is not checked, and nothing pumps while the mains are lost, as far as is known"},
		{s.WaterHistory == "", "sump.water_history is left out: how rain brings water is learned from the first storms alone"},
		{s.CommissionedDrawDown == 0, "sump.commissioned_draw_down is left out: the pump's baseline comes from the as-built figures and its first cycles"},
	})
	return append(out, s.Discharge.missing()...)
}

func (p *Pump) hasCurve() bool {
	return len(p.CurvePoints) > 0 || (p.RatedFlowLps > 0 && p.ShutoffHeadM > 0)
}

func (d *Discharge) missing() []string {
	if d == nil {
		return []string{"sump.discharge is left out: what the pump really delivers is not known"}
	}
	return openGaps([]gap{
		{d.Pipe == "" && d.InsideDiameterM == 0, "sump.discharge.pipe is left out: the friction in the line is not known"},
		{d.LengthM == 0, "sump.discharge.length is left out: the friction in the line is not known"},
		{d.LiftM == 0, "sump.discharge.lift is left out (taken as level)"},
		{!d.CheckValve, "no check valve is described: water in the line may run back"},
	})
}

func (p *Property) missingPoints() []string {
	pumped := p.indoors(PumpRun) || p.indoors(PumpOn)
	out := openGaps([]gap{
		{!p.indoors(RH), "no indoor point measures rh: humidity is not watched"},
		{p.indoors(RH) && !p.indoors(AirTemp), "no indoor point measures air-temp: dew points and mold are not known, freezing is not watched"},
		{!p.indoors(SurfaceTemp), "no point measures surface-temp: condensation is not watched"},
		{!p.indoors(WoodMoisture) && p.indoors(RH), "no point measures wood-moisture: it is estimated from the air"},
		{!p.outdoors(), "no point measures rh and air-temp outdoors: outdoor-air-entering is not watched"},
		{p.Sump != nil && !pumped, "no point measures pump-run or pump-on: the pump is not watched"},
		{p.Sump != nil && !p.indoors(HighWater) && !p.indoors(WaterLevel), "no point measures high-water or water-level: high water is not watched"},
		{p.Sump != nil && !p.anywhere(Rain) && p.WeatherStation == "", "no point measures rain and no weather_station is named: rain is not known and the rain conditions rest"},
		{!p.indoors(Leak), "no point measures leak: leaks are not watched"},
		{!p.indoors(Mains), "no point measures mains: a loss of power is not told from a silent gateway"},
		{p.Dehumidifier != nil && !p.indoors(DehumidifierPower), "no point measures dehumidifier-power: an idle dehumidifier is judged by vapour pressure, a weak one is not watched"},
		{p.ExhaustFan != nil && !p.indoors(FanPower), "no point measures fan-power: the exhaust fan is not watched"},
		{!p.anywhere(Battery), "no point measures battery: batteries are not watched"},
	})
	for i := range p.Points {
		out = append(out, p.Points[i].missing()...)
	}
	return out
}

func (pt *Point) missing() []string {
	air := pt.Has(RH) || pt.Has(AirTemp)
	surface := pt.Has(SurfaceTemp)
	periodic := air || surface || pt.Has(WoodMoisture)
	name := fmt.Sprintf("point %s: ", pt.ID)
	return openGaps([]gap{
		{surface && pt.Air == "" && !pt.Outdoors, name + "air is left out: condensation on this surface is not watched"},
		{surface && pt.Surface == "", name + "surface is left out: it counts as other"},
		{periodic && pt.Every == 0, name + "every is left out: its silence is not noticed"},
		{(pt.Has(RH) || surface) && (pt.Sensor == nil || len(pt.Sensor.Accuracy) == 0), name + "sensor.accuracy is left out: the uncertainty of its readings is not known"},
	})
}

func (p *Property) missingPeople() []string {
	o := p.Owner
	return openGaps([]gap{
		{p.Location == nil, "location is left out: no weather can be fetched for it"},
		{o.Email == "" && o.Phone == "", "the owner has neither e-mail nor phone: nobody but the company is told"},
		{p.WarrantyTerms == "", "warranty.terms is left out: no verdict is given"},
	})
}

func (p *Property) anywhere(q Quantity) bool {
	for i := range p.Points {
		if p.Points[i].Has(q) {
			return true
		}
	}
	return false
}

func (p *Property) indoors(q Quantity) bool {
	for i := range p.Points {
		if p.Points[i].Has(q) && !p.Points[i].Outdoors {
			return true
		}
	}
	return false
}

// outdoors reports whether one outdoor point gives the vapour pressure there.
func (p *Property) outdoors() bool {
	for i := range p.Points {
		if p.Points[i].Outdoors && p.Points[i].Has(RH) && p.Points[i].Has(AirTemp) {
			return true
		}
	}
	return false
}
