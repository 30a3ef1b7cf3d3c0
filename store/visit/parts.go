package visit

import "slices"

// partOf the installation that a work is on, as warranty terms name it.
var partOf = map[Work]string{
	WorkFilter: "dehumidifier", WorkDehumidifier: "dehumidifier", WorkLiner: "liner",
	WorkDrain: "pump", WorkSump: "pump", WorkBattery: "sensors",
}

// Parts of the installation that works were on, each once.
func Parts[W ~string](works []W) []string {
	var out []string
	for _, w := range works {
		if part := partOf[Work(w)]; part != "" && !slices.Contains(out, part) {
			out = append(out, part)
		}
	}
	return out
}
