package api

import (
	"encoding/hex"
	"encoding/json"

	"underkeep/api/view"
	"underkeep/store/visit"
)

type personOut struct {
	Person int32  `json:"person"`
	Name   string `json:"name"`
}

type visitOut struct {
	ID        string       `json:"id"`
	Property  string       `json:"property"`
	Kind      string       `json:"kind"`
	State     string       `json:"state"`
	Origin    string       `json:"origin"`
	Reason    string       `json:"reason,omitempty"`
	DueOn     *string      `json:"due_on"`
	Crew      string       `json:"crew,omitempty"`
	Assigned  *personOut   `json:"assigned_to,omitempty"`
	Alarm     *string      `json:"alarm"`
	PlannedAt *string      `json:"planned_at"`
	PlannedBy string       `json:"planned_by,omitempty"`
	StartedAt *string      `json:"started_at"`
	StartedBy string       `json:"started_by,omitempty"`
	EndedAt   *string      `json:"ended_at"`
	EndedBy   string       `json:"ended_by,omitempty"`
	Findings  string       `json:"findings,omitempty"`
	Work      []visit.Work `json:"work"`
	Revision  int32        `json:"revision"`
}

// plain says that somebody gets what was done, and not who did it.
func plain(p view.Principal) bool { return p.Role == view.OwnerRole }

func showVisit(v visit.Visit, p view.Principal) visitOut {
	out := visitOut{
		ID: v.ID, Property: v.Property, Kind: string(v.Kind), State: string(v.State), Origin: string(v.Origin), Reason: v.Reason,
		Alarm: orNull(v.Alarm), PlannedAt: stamp(v.PlannedAt), StartedAt: stamp(v.StartedAt), EndedAt: stamp(v.EndedAt),
		Findings: v.Findings, Work: append([]visit.Work{}, v.Work...), Revision: v.Revision,
	}
	if v.DueOn != nil {
		out.DueOn = orNull(v.DueOn.String())
	}
	if plain(p) {
		return out
	}
	out.Crew, out.PlannedBy, out.StartedBy, out.EndedBy = v.Crew, v.PlannedBy, v.StartedBy, v.EndedBy
	if v.AssignedTo != 0 {
		out.Assigned = &personOut{v.AssignedTo, v.AssignedName}
	}
	return out
}

type recordOut struct {
	visitOut
	Readings []handReadingOut `json:"readings"`
	Parts    []partOut        `json:"parts"`
	Photos   []photoOut       `json:"photos"`
	Checks   []checkOut       `json:"sensor_checks"`
	Tests    []testOut        `json:"pump_tests"`
	Holds    []holdOut        `json:"out_of_service"`
	Journal  []visitEntryOut  `json:"journal,omitempty"`
}

type handReadingOut struct {
	At       *string `json:"at"`
	Quantity string  `json:"quantity"`
	Place    string  `json:"place,omitempty"`
	Value    float64 `json:"value"`
	Unit     string  `json:"unit"`
	Remark   string  `json:"remark,omitempty"`
}

type partOut struct {
	Part   string `json:"part"`
	Pieces int32  `json:"pieces"`
	Serial string `json:"serial,omitempty"`
}

type photoOut struct {
	ID      string  `json:"id"`
	AddedAt *string `json:"added_at"`
	Caption string  `json:"caption,omitempty"`
	Width   int     `json:"width"`
	Height  int     `json:"height"`
	SHA256  string  `json:"sha256"`
}

type holdOut struct {
	Condition string  `json:"condition"`
	Point     *string `json:"point"`
	From      *string `json:"from"`
	Until     *string `json:"until"`
	Reason    string  `json:"reason"`
}

type visitEntryOut struct {
	At     *string         `json:"at"`
	Kind   string          `json:"kind"`
	By     string          `json:"by"`
	Note   string          `json:"note,omitempty"`
	Detail json.RawMessage `json:"detail"`
}

func showPhoto(p visit.Photo) photoOut {
	return photoOut{p.ID, stamp(p.AddedAt), p.Caption, p.Width, p.Height, hex.EncodeToString(p.SHA256[:])}
}

func showRecord(v visit.Record, p view.Principal) recordOut {
	out := recordOut{visitOut: showVisit(v.Visit, p), Readings: []handReadingOut{}, Parts: []partOut{}, Photos: []photoOut{},
		Checks: []checkOut{}, Tests: []testOut{}, Holds: []holdOut{}}
	for _, h := range v.Readings {
		out.Readings = append(out.Readings, handReadingOut{stamp(h.At), string(h.Quantity), h.Place, h.Value, h.Unit, h.Remark})
	}
	for _, x := range v.Parts {
		out.Parts = append(out.Parts, partOut{x.Part, x.Pieces, x.Serial})
	}
	for _, x := range v.Photos {
		out.Photos = append(out.Photos, showPhoto(x))
	}
	for _, c := range v.Checks {
		out.Checks = append(out.Checks, showCheck(c, p))
	}
	for _, t := range v.Tests {
		out.Tests = append(out.Tests, showTest(t, p))
	}
	for _, h := range v.Holds {
		out.Holds = append(out.Holds, holdOut{string(h.Condition), orNull(h.Point), stamp(h.From), stamp(h.Until), h.Reason})
	}
	if !plain(p) {
		for _, e := range v.Journal {
			out.Journal = append(out.Journal, visitEntryOut{stamp(e.At), e.Kind, e.Actor, e.Why, json.RawMessage(e.Detail)})
		}
	}
	return out
}

type checkOut struct {
	ID           string  `json:"id"`
	Property     string  `json:"property"`
	Visit        *string `json:"visit"`
	At           *string `json:"at"`
	RecordedAt   *string `json:"recorded_at"`
	RecordedBy   string  `json:"recorded_by,omitempty"`
	Point        string  `json:"point"`
	Serial       string  `json:"serial,omitempty"`
	Salt         string  `json:"salt"`
	TempC        float64 `json:"temp_c"`
	ReadPct      float64 `json:"read_pct"`
	ExpectedPct  float64 `json:"expected_pct"`
	AccuracyPct  float64 `json:"accuracy_pct"`
	TolerancePct float64 `json:"tolerance_pct"`
	Within       bool    `json:"within"`
	OffsetPct    float64 `json:"offset_pct"`
	StandardPct  float64 `json:"offset_standard_pct"`
	Remark       string  `json:"remark,omitempty"`
	WithdrawnAt  *string `json:"withdrawn_at,omitempty"`
	WithdrawnWhy string  `json:"withdrawn_why,omitempty"`
}

func showCheck(c visit.SensorCheck, p view.Principal) checkOut {
	out := checkOut{ID: c.ID, Property: c.Property, Visit: orNull(c.Visit), At: stamp(c.At), RecordedAt: stamp(c.RecordedAt), Point: c.Point,
		Serial: c.Serial, Salt: c.Salt, TempC: c.TempC, ReadPct: c.ReadPct, ExpectedPct: c.ExpectedPct, AccuracyPct: c.AccuracyPct,
		TolerancePct: c.TolerancePct, Within: c.Within, OffsetPct: c.OffsetPct, StandardPct: c.OffsetStandardPct, Remark: c.Remark,
		WithdrawnAt: stamp(c.WithdrawnAt), WithdrawnWhy: c.WithdrawnWhy}
	if !plain(p) {
		out.RecordedBy = c.RecordedBy
	}
	return out
}

type testOut struct {
	ID           string  `json:"id"`
	Property     string  `json:"property"`
	Visit        *string `json:"visit"`
	At           *string `json:"at"`
	RecordedAt   *string `json:"recorded_at"`
	RecordedBy   string  `json:"recorded_by,omitempty"`
	Pump         string  `json:"pump"`
	Method       string  `json:"method"`
	Ran          bool    `json:"ran"`
	PouredL      float64 `json:"poured_l,omitempty"`
	DrawDownS    float64 `json:"draw_down_s,omitempty"`
	FlowLps      float64 `json:"flow_lps,omitempty"`
	Remark       string  `json:"remark,omitempty"`
	WithdrawnAt  *string `json:"withdrawn_at,omitempty"`
	WithdrawnWhy string  `json:"withdrawn_why,omitempty"`
}

func showTest(t visit.PumpTest, p view.Principal) testOut {
	out := testOut{ID: t.ID, Property: t.Property, Visit: orNull(t.Visit), At: stamp(t.At), RecordedAt: stamp(t.RecordedAt), Pump: t.Pump,
		Method: t.Method, Ran: t.Ran, PouredL: t.PouredL, DrawDownS: t.DrawDownS, FlowLps: t.FlowLps(), Remark: t.Remark,
		WithdrawnAt: stamp(t.WithdrawnAt), WithdrawnWhy: t.WithdrawnWhy}
	if !plain(p) {
		out.RecordedBy = t.RecordedBy
	}
	return out
}
