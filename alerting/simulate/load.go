package simulate

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"underkeep/store/site"
)

// Load is a stream of many properties that report often. It is cheap on
// purpose, so that the sender does not weigh on what is measured: values swing
// by a fixed wave and come from no physics.
type Load struct {
	Properties int
	Every      time.Duration // each property reports once in it, spread evenly
	AirPoints  int           // each with rh and air-temp
}

// Property number i of the stream.
func (l Load) Property(i int, installed time.Time) site.Property {
	return Cottage{ID: l.id(i), Name: fmt.Sprintf("Load %d", i), Installed: installed, AirPoints: l.AirPoints, Every: 5 * time.Minute,
		NoDehumidifier: true, NoSump: true, NoGauge: true, NoOutdoors: true}.Property()
}

func (l Load) id(i int) string { return "load-" + strconv.Itoa(i) }

// Due is the moment of the k-th report of property i in a stream that begins at
// start: the properties follow one another evenly within Every.
func (l Load) Due(i, k int, start time.Time) time.Time {
	step := time.Duration(float64(l.Every) * float64(i) / float64(max(l.Properties, 1)))
	return start.Add(time.Duration(k)*l.Every + step)
}

// Message of property i with its readings at a moment.
func (l Load) Message(i int, at time.Time) Message {
	b := make([]byte, 0, 80*l.AirPoints+64)
	b = append(b, `[{"bt":`...)
	b = strconv.AppendFloat(b, float64(at.UnixMilli())/1000, 'f', 3, 64)
	wave := math.Sin(float64(at.Unix()%86400)/86400*2*math.Pi + float64(i))
	for p := range l.AirPoints {
		if p > 0 {
			b = append(b, '{')
		} else {
			b = append(b, ',')
		}
		b = append(b, recordPrefix(airNames[p%len(airNames)], site.RH)[1:]...)
		b = append(b, `"v":`...)
		b = strconv.AppendFloat(b, 50+4*wave+0.1*float64(p), 'f', 1, 64)
		b = append(b, `},`...)
		b = append(b, recordPrefix(airNames[p%len(airNames)], site.AirTemp)...)
		b = append(b, `"v":`...)
		b = strconv.AppendFloat(b, 18-wave+0.2*float64(p), 'f', 2, 64)
		b = append(b, '}', ',')
	}
	b[len(b)-1] = ']'
	return Message{Received: at, Topic: "underkeep/1/" + l.id(i) + "/gw-1/readings", Payload: b, Records: 2 * l.AirPoints}
}
