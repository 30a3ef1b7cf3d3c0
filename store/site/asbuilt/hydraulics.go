package asbuilt

import (
	"errors"
	"fmt"

	"underkeep/alerting/water"
	"underkeep/store/site"
)

// errMissing marks a computation that lacks a figure in the property file.
var errMissing = errors.New("not given")

// missing names what the property file lacks.
func missing(what string) error { return fmt.Errorf("%s %w", what, errMissing) }

// Basin is the sump's basin in the terms of the hydraulics.
func Basin(s site.Sump) water.Basin {
	return water.Basin{
		DiameterM: s.BasinDiameterM, TopDiameterM: s.BasinTopDiameterM,
		DepthM: s.BasinDepthM, DisplacementL: s.PumpDisplacementL,
	}
}

// Curve of a pump as its file describes it: listed points, else the parabola.
func Curve(p *site.Pump) (water.Curve, error) {
	switch {
	case p == nil:
		return water.Curve{}, missing("pump")
	case len(p.CurvePoints) > 0:
		points := make([]water.CurvePoint, len(p.CurvePoints))
		for i, c := range p.CurvePoints {
			points[i] = water.CurvePoint{FlowLps: c.FlowLps, HeadM: c.HeadM}
		}
		return water.PointCurve(points)
	case p.RatedFlowLps == 0:
		return water.Curve{}, missing("rated flow of the pump")
	case p.ShutoffHeadM == 0:
		return water.Curve{}, missing("shut-off head of the pump")
	}
	return water.ParabolaCurve(p.RatedFlowLps, p.AtHeadM, p.ShutoffHeadM)
}

// Line is the discharge line in the terms of the hydraulics.
func Line(d *site.Discharge) (water.Line, error) {
	if d == nil {
		return water.Line{}, missing("discharge line")
	}
	diameter := d.InsideDiameterM
	if diameter == 0 {
		var ok bool
		if diameter, ok = water.PipeDiameterM(d.Pipe); !ok {
			return water.Line{}, missing("pipe of the discharge line")
		}
	}
	return water.Line{
		InsideDiameterM: diameter, LengthM: d.LengthM, LiftM: d.LiftM,
		Elbows: d.Elbows, CheckValve: d.CheckValve,
	}, nil
}

// OperatingPoint of a pump in the sump's discharge line.
func OperatingPoint(p *site.Pump, d *site.Discharge) (water.CurvePoint, error) {
	curve, err := Curve(p)
	if err != nil {
		return water.CurvePoint{}, err
	}
	line, err := Line(d)
	if err != nil {
		return water.CurvePoint{}, err
	}
	return water.OperatingPoint(curve, line)
}

// storageL is StorageL with its reason.
func storageL(s site.Sump) (float64, error) {
	switch {
	case s.BasinDiameterM == 0:
		return 0, missing("basin diameter")
	case s.FloatOnM == 0:
		return 0, missing("float-on level")
	case s.FloatOffM == 0:
		return 0, missing("float-off level")
	}
	return Basin(s).StorageL(s.FloatOffM, s.FloatOnM)
}

// StorageL is the water between the floats in litres: what one pump cycle removes.
// False when the file leaves out what it takes, or when that is impossible.
func StorageL(s site.Sump) (float64, bool) {
	v, err := storageL(s)
	return v, err == nil
}

// DrawDown is the as-built draw-down time in seconds: from float-on to float-off at
// the operating point of the primary pump, without inflow. False when the file
// leaves out what it takes, or when the pump cannot lift the water.
func DrawDown(s site.Sump) (seconds float64, ok bool) {
	v, err := storageL(s)
	if err != nil {
		return 0, false
	}
	at, err := OperatingPoint(s.Pump, s.Discharge)
	if err != nil && !errors.Is(err, water.ErrBeyondCurve) {
		return 0, false
	}
	seconds, err = water.DrawDownSeconds(v, at.FlowLps, 0)
	return seconds, err == nil
}
