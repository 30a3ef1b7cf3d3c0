package main

import (
	"context"
	"time"

	"underkeep/alerting/simulate"
	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// demoTechnician is who goes to the cottages of the demo, and signs in with the
// password of all the others to see their day.
const (
	demoTechnician      = "Ana Sol"
	demoTechnicianEmail = "crew@skerry.example"
)

// visits gives the demo a past and a plan: cottages handed over, one visit done
// with its checks, and what is due in the next days.
func (d *demo) visits(ctx context.Context, fleet *simulate.Fleet) error {
	lee, err := d.s.store.AddPerson(ctx, store.NewPerson{Name: demoTechnician, Email: demoTechnicianEmail, Password: demoPassword, Role: store.RoleTechnician, All: true, By: "demo"})
	if err != nil {
		return err
	}
	now := time.Now()
	for i, s := range fleet.Spaces {
		if i >= 6 {
			break
		}
		if err := d.served(ctx, s.ID(), lee.ID, now.AddDate(0, 0, -20-i)); err != nil {
			return err
		}
	}
	today := site.DateOf(now)
	for i, p := range []visit.Plan{
		{Kind: visit.Repair, Reason: "Looked at on Today", Crew: "North crew"},
		{Kind: visit.PumpTesting, Reason: "Prove the pump before the wet season", Origin: visit.UnprovenPump, Crew: "North crew"},
		{Kind: visit.SensorChecking, Reason: "Yearly salt check", Origin: visit.ByTerms, Crew: "Sound crew"},
	} {
		if i >= len(fleet.Spaces) {
			break
		}
		day := today.AddDays(i)
		p.Property, p.DueOn, p.AssignedTo = fleet.Spaces[len(fleet.Spaces)-1-i].ID(), &day, lee.ID
		if _, err := d.s.store.PlanVisit(ctx, demoWrite("demo", now), p); err != nil {
			return err
		}
	}
	return nil
}

func demoWrite(by string, at time.Time) store.VisitWrite {
	return store.VisitWrite{Scope: store.AllProperties, By: by, Now: at}
}

// served is a past visit with a bucket test and a salt check.
func (d *demo) served(ctx context.Context, property string, person int32, at time.Time) error {
	w, err := d.s.store.PlanVisit(ctx, demoWrite("demo", at.AddDate(0, 0, -3)), visit.Plan{Property: property, Kind: visit.Service, Reason: "Filter is due", Origin: visit.ByTerms, AssignedTo: person})
	if err != nil {
		return err
	}
	if _, err := d.s.store.StartVisit(ctx, demoWrite(demoTechnician, at), w.Visit, visit.Start{Disturbs: []visit.Disturbance{visit.HatchOpen}}); err != nil {
		return err
	}
	if _, err := d.s.store.AddPart(ctx, demoWrite(demoTechnician, at), w.Visit, visit.Part{Part: "dehumidifier filter", Pieces: 1}); err != nil {
		return err
	}
	if _, err := d.s.store.AddHandReading(ctx, demoWrite(demoTechnician, at), w.Visit, visit.HandReading{Quantity: visit.HandWoodMoisture, Value: 12.5, Place: "joist at the hatch"}); err != nil {
		return err
	}
	if err := d.checked(ctx, property, w.Visit, at); err != nil {
		return err
	}
	_, err = d.s.store.SignOff(ctx, demoWrite(demoTechnician, at.Add(70*time.Minute)), w.Visit,
		visit.Findings{Findings: "Filter changed. Liner and drain look right.", Work: []visit.Work{visit.WorkFilter, visit.WorkDrain, visit.WorkLiner}})
	return err
}

// checked holds the first humidity sensor of a cottage over table salt, and
// lifts the float of its pump.
func (d *demo) checked(ctx context.Context, property, at string, when time.Time) error {
	reg, ok := d.s.store.Registry().Property(property)
	if !ok {
		return nil
	}
	desc, err := reg.Current()
	if err != nil {
		return err
	}
	for _, pt := range desc.Points {
		if len(pt.Measures) > 0 && pt.Measures[0] == site.RH && !pt.Outdoors {
			if _, err := d.s.store.AddSensorCheck(ctx, demoWrite(demoTechnician, when), property, at, visit.SensorCheck{Point: pt.ID, Salt: "NaCl", TempC: 20, ReadPct: 76.4}); err != nil {
				return err
			}
			break
		}
	}
	if desc.Sump == nil {
		return nil
	}
	_, err = d.s.store.AddPumpTest(ctx, demoWrite(demoTechnician, when), property, at, visit.PumpTest{Method: visit.ByFloat, Ran: true})
	return err
}
