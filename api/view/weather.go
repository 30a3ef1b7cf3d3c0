package view

import (
	"context"
	"time"
)

// WeatherSource knows where the weather of a property comes from.
type WeatherSource interface {
	// Weather of a property: its stations, how far off they are, how asking goes.
	Weather(ctx context.Context, scope Scope, property string) (Weather, error)
}

// Weather says where a property's rain and forecast come from.
type Weather struct {
	HasGauge  bool // of its own: what falls there is what counts
	Looked    bool // stations were looked up
	LookError string
	Stations  []WeatherStation // nearest first
	Grid      string           // cell of the forecast; "" for none
	UpdatedAt time.Time        // of the forecast, by the service
	Forecast  WeatherAnswer
	RainMM    *float64 // of the station in the last 24 h; nil: not known
}

// WeatherAnswer is how asking the service has gone.
type WeatherAnswer struct {
	AnsweredAt, FailedAt time.Time
	Failure              string // of the latest attempt; "" when it went well
}

// WeatherStation near a property.
type WeatherStation struct {
	ID, Name     string
	Lat, Lon     float64
	DistanceM    float64 // NaN: the property has no location
	Used, Named  bool    // stands for the property; named by its file
	NewestAt     time.Time
	NewestRainAt time.Time
	Gap          time.Duration // longest time of the last 24 h without known rain; of the one used
	WeatherAnswer
}

// Station that stands for the property.
func (w Weather) Station() (WeatherStation, bool) {
	for _, s := range w.Stations {
		if s.Used {
			return s, true
		}
	}
	return WeatherStation{}, false
}
