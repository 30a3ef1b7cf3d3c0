package weather

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Depth of precipitation in a group of a report.
type Depth struct {
	State DepthState
	MM    float64 // of Measured; 0 otherwise
}

// DepthState says what a group means.
type DepthState uint8

// The states. NotReported is no group at all, which is not zero by itself.
const (
	NotReported DepthState = iota
	Measured
	Trace   // under 0.01 in: not zero
	Missing // solidi, or a sensor reported out of order
)

// TraceMM stands for a trace, which is more than nothing and less than 0.01 in: the
// middle of what it can be (common practice, no source).
const TraceMM = 0.127

// Amount is what a depth counts as, mm; ok is false where it is not known.
func (d Depth) Amount() (mm float64, ok bool) {
	switch d.State {
	case Measured:
		return d.MM, true
	case Trace:
		return TraceMM, true
	}
	return 0, false
}

const mmPerHundredth = 0.254 // 0.01 in

// METAR is what this package reads of an aviation routine or special report with
// United States remarks (FMH-1 chapter 12).
type METAR struct {
	Station           string
	Day, Hour, Minute int
	Special           bool
	Remarks           bool
	Discriminator     bool // AO2: the station tells rain from snow, so it has a gauge
	NoGauge           bool // PNO: precipitation amount not available
	Precipitation     bool // present weather or remarks speak of rain, drizzle, snow, ...
	Hourly            Depth
	Several           Depth // 6 h at 00, 06, 12, 18 UTC; 3 h at 03, 09, 15, 21 UTC
	Day24             Depth
	TempC, DewC       *float64 // of the T group, tenths
}

var (
	metarTime     = regexp.MustCompile(`^(\d{2})(\d{2})(\d{2})Z$`)
	metarStation  = regexp.MustCompile(`^[A-Z][A-Z0-9]{3}$`)
	metarRain     = regexp.MustCompile(`^P(\d{4}|////)$`)
	metarSeveral  = regexp.MustCompile(`^6(\d{4}|////)$`)
	metarDay      = regexp.MustCompile(`^7(\d{4}|////)$`)
	metarTemp     = regexp.MustCompile(`^T([01])(\d{3})(?:([01])(\d{3}))?$`)
	metarWeather  = regexp.MustCompile(`^(?:\+|-)?(?:MI|PR|BC|DR|BL|SH|TS|FZ)?(?:DZ|RA|SN|SG|IC|PL|GR|GS|UP)+$`)
	metarBeganEnd = regexp.MustCompile(`^(?:(?:TS|SH|FZ)?(?:DZ|RA|SN|SG|IC|PL|GR|GS|UP)(?:[BE]\d{2}(?:\d{2})?)+)+`)
)

// ParseMETAR reads one report. Groups that it does not know are passed over; a
// report without station and time is an error.
func ParseMETAR(raw string) (METAR, error) {
	if len(raw) > 2000 {
		return METAR{}, fmt.Errorf("report of %d characters", len(raw))
	}
	body, remarks, has := strings.Cut(" "+strings.TrimSuffix(strings.TrimSpace(raw), "=")+" ", " RMK ")
	var m METAR
	m.Remarks = has
	groups := strings.Fields(body)
	for len(groups) > 0 && (groups[0] == "METAR" || groups[0] == "SPECI" || groups[0] == "COR") {
		m.Special = m.Special || groups[0] == "SPECI"
		groups = groups[1:]
	}
	if len(groups) < 2 || !metarStation.MatchString(groups[0]) {
		return METAR{}, fmt.Errorf("no station in report %.80q", raw)
	}
	m.Station = groups[0]
	t := metarTime.FindStringSubmatch(groups[1])
	if t == nil {
		return METAR{}, fmt.Errorf("no time in report %.80q", raw)
	}
	m.Day, m.Hour, m.Minute = number(t[1]), number(t[2]), number(t[3])
	if m.Day < 1 || m.Day > 31 || m.Hour > 23 || m.Minute > 59 {
		return METAR{}, fmt.Errorf("time %s in report of %s", groups[1], m.Station)
	}
	for _, g := range groups[2:] {
		m.Precipitation = m.Precipitation || metarWeather.MatchString(g)
	}
	for g := range strings.FieldsSeq(remarks) {
		m.remark(g)
	}
	return m, nil
}

func (m *METAR) remark(g string) {
	switch g {
	case "AO2", "A02": // the letter O; often misspelt
		m.Discriminator = true
		return
	case "PNO":
		m.NoGauge = true
		return
	}
	if t := metarTemp.FindStringSubmatch(g); t != nil {
		m.TempC = tenths(t[1], t[2])
		if t[3] != "" {
			m.DewC = tenths(t[3], t[4])
		}
		return
	}
	for _, group := range []struct {
		pattern *regexp.Regexp
		into    *Depth
	}{{metarRain, &m.Hourly}, {metarSeveral, &m.Several}, {metarDay, &m.Day24}} {
		if f := group.pattern.FindStringSubmatch(g); f != nil && group.into.State == NotReported {
			*group.into = hundredths(f[1])
			return
		}
	}
	m.Precipitation = m.Precipitation || metarBeganEnd.MatchString(g)
}

// SeveralHours is how many hours the 6RRRR group of this report spans.
func (m METAR) SeveralHours() int {
	hour := m.Hour
	if m.Minute > 30 {
		hour++
	}
	if hour%6 == 0 {
		return 6
	}
	return 3
}

// Dry says that the report means no precipitation although it has no group for
// it: an automated station with a discriminator whose gauge is in order and that
// speaks of none.
func (m METAR) Dry() bool {
	return m.Remarks && m.Discriminator && !m.NoGauge && !m.Precipitation && m.Hourly.State == NotReported
}

func hundredths(digits string) Depth {
	if digits == "////" {
		return Depth{State: Missing}
	}
	if n := number(digits); n > 0 {
		return Depth{Measured, float64(n) * mmPerHundredth}
	}
	return Depth{State: Trace}
}

func tenths(sign, digits string) *float64 {
	v := float64(number(digits)) / 10
	if sign == "1" && v != 0 {
		v = -v
	}
	return &v
}

// number of digits that a pattern has let through.
func number(digits string) int {
	n, err := strconv.Atoi(digits)
	if err != nil {
		return 0
	}
	return n
}
