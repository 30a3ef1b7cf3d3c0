package weather

import (
	"fmt"
	"strings"
)

// quantity is a value as the service gives it. A null is unknown, not zero.
type quantity struct {
	UnitCode       string   `json:"unitCode"`
	Value          *float64 `json:"value"`
	QualityControl string   `json:"qualityControl"`
}

// failed says that the service's own checks did not pass the value: MADIS codes
// X failed, Q questioned, B subjectively bad. Some members carry no code.
func (q quantity) failed() bool {
	switch strings.TrimPrefix(q.QualityControl, "qc:") {
	case "X", "Q", "B":
		return true
	}
	return false
}

// scale turns a unit into the stored one: stored = value*factor + offset.
type scale struct{ factor, offset float64 }

// Units by dimension, without their prefix. The service has changed the unit of
// precipitation from m to mm (a factor of 1000), so none is ever assumed.
var (
	depthUnits = map[string]scale{"mm": {1, 0}, "cm": {10, 0}, "m": {1000, 0}, "[in_i]": {25.4, 0}, "in": {25.4, 0}}
	tempUnits  = map[string]scale{"degC": {1, 0}, "Cel": {1, 0}, "degF": {5.0 / 9, -32 * 5.0 / 9}, "[degF]": {5.0 / 9, -32 * 5.0 / 9}, "K": {1, -273.15}}
	shareUnits = map[string]scale{"percent": {1, 0}, "%": {1, 0}}
)

// bareUnit takes the prefix off: wmo, wmoUnit, nwsUnit, uc and, in older samples,
// unit.
func bareUnit(code string) (string, bool) {
	prefix, unit, ok := strings.Cut(code, ":")
	if !ok {
		return code, true
	}
	switch prefix {
	case "wmo", "wmoUnit", "nwsUnit", "uc", "unit":
		return unit, true
	}
	return code, false
}

// convert reads a value in the stored unit; ok is false where it is null.
func convert(name, code string, v *float64, units map[string]scale) (value float64, ok bool, err error) {
	if v == nil {
		return 0, false, nil
	}
	bare, known := bareUnit(code)
	s, found := units[bare]
	if !known || !found {
		return 0, false, fmt.Errorf("%s: unit %.40q is not known", name, code)
	}
	return *v*s.factor + s.offset, true, nil
}
