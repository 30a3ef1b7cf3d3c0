package water

// Response is one site's own response to rain: what it has learned of how many pump
// cycles a depth of rain brings, when, and after how wet a time. It is plain data
// without pointers: copy it by value for a checkpoint, or marshal it as JSON (under
// 4 KB). All methods are deterministic; hand events in by rising event time.
type Response struct {
	Version uint8
}

// NewResponse starts from the commissioning answer: "dry", "damp", "flooded", or ""
// for not asked. from is the time from which rain and cycles are known.
func NewResponse(waterHistory string, from Micros) Response { return Response{} }

// NewResponseNear starts from the commissioning answer and what sites nearby have
// learned.
func NewResponseNear(waterHistory string, from Micros, nearby []Response) Response {
	return Response{}
}

// Rain adds a gauge's or weather station's record: depth in mm that fell since its
// record before, known at the end of that interval.
func (r *Response) Rain(at Micros, mm float64) {}

// Cycle adds one cycle of the primary pump by its start.
func (r *Response) Cycle(at Micros) {}

// Tested adds a recorded pump test that the pump passed: silence before it was true,
// so it is learned from.
func (r *Response) Tested(at Micros) {}

// Blind says that from a time on, until to, cycles or rain are not known (the gateway
// was silent, the mains were lost, no rain source spoke): nothing is learned from it.
func (r *Response) Blind(from, to Micros) {}

// SilenceProbability is the probability that a working pump would have stayed silent
// since the last cycle, given the rain known until now. 1 without rain. It changes nothing.
func (r *Response) SilenceProbability(now Micros) float64 { return 1 }

// ExpectedCycles is how many cycles the rain of the current storm should have brought
// until now, were the pump to work. It changes nothing.
func (r *Response) ExpectedCycles(now Micros) float64 { return 0 }

// Storm is the current or last storm as known at now.
func (r *Response) Storm(now Micros) Storm { return Storm{} }

// Raining says whether a storm is going on at now: less than the separating dry time
// has passed since the last rain.
func (r *Response) Raining(now Micros) bool { return false }
