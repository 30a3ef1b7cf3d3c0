package air_test

import (
	"fmt"

	"underkeep/alerting/air"
)

// A supply duct in a crawl space: how far its surface is above the dew point of the
// air around it, and how sure that is with sensors of ±0.3 °C and ±2 %RH.
func ExampleApproachEstimateK() {
	uTempK, uRHPct := air.StandardFromLimit(0.3), air.StandardFromLimit(2)
	approach, err := air.ApproachEstimateK(17.0, uTempK, 21.0, 68, uTempK, uRHPct)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f K above the dew point, standard uncertainty %.1f K\n", approach.Value, approach.Standard)
	// Output: 2.1 K above the dew point, standard uncertainty 0.4 K
}

// Three damp weeks on a joist, two of which the sensor slept through.
func ExampleMoldModel_TrackGap() {
	model, err := air.NewMoldModel(air.DefaultMoldOptions())
	if err != nil {
		fmt.Println(err)
		return
	}
	track := air.StartMoldTrack(air.MoldState{})
	for range 7 * 24 {
		model.Track(&track, 22, 92)
	}
	slept := air.Envelope{MinTempC: 18, MaxTempC: 24, MinRHPct: 70, MaxRHPct: 96}
	if err := model.TrackGap(&track, 14*24, slept); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("index %.2f over %.0f h measured; after %.0f h unknown between %.2f and %.2f\n",
		track.State.Index, track.HoursKnown, track.HoursUnknown, track.Low, track.High)
	// Output: index 0.20 over 168 h measured; after 336 h unknown between 0.15 and 0.96
}
