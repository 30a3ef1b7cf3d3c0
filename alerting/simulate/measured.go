package simulate

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"underkeep/store/site"
)

// MeasuredHouse describes the house of UCI data set 374 ("Appliances energy
// prediction", CC BY 4.0; Candanedo, Feldheim, Deramaix, Energy and Buildings
// 140, 2017): nine sensors, the sixth outdoors on the north side.
func MeasuredHouse(id string) site.Property {
	p := site.Property{ID: id, Name: "A measured house", Timezone: "Europe/Brussels", Units: site.SI, Installed: site.Date{Year: 2015, Month: 12, Day: 1},
		Commissioning: 14 * 24 * time.Hour, MoldClass: "sensitive", MoldDecline: 0.1}
	for k := 1; k <= houseSensors; k++ {
		p.Points = append(p.Points, site.Point{ID: "room-" + strconv.Itoa(k), Measures: []site.Quantity{site.RH, site.AirTemp},
			Every: 10 * time.Minute, Outdoors: k == houseOutdoors})
	}
	return p
}

const (
	houseSensors  = 9
	houseOutdoors = 6
)

// HouseRecording turns the data set's table (date, then T and RH of each
// sensor, every 10 min, local time) into the messages of one gateway. Values
// outside the contract's ranges are sent as they stand; blank cells are not.
func HouseRecording(table io.Reader, id string, emit func(Message) error) error {
	p := MeasuredHouse(id)
	loc := time.FixedZone("CET", 3600) // the table has the hour that summer time skips
	rows := csv.NewReader(table)
	rows.FieldsPerRecord = 1 + 2*houseSensors
	rows.ReuseRecord = true
	if _, err := rows.Read(); err != nil {
		return fmt.Errorf("read the table's heading: %w", err)
	}
	topic := "underkeep/1/" + id + "/gw-1/readings"
	for n := 2; ; n++ {
		cells, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("read line %d of the table: %w", n, err)
		}
		m, err := houseMessage(p.Points, cells, loc)
		if err != nil {
			return fmt.Errorf("line %d of the table: %w", n, err)
		}
		m.Topic = topic
		if err := emit(m); err != nil {
			return err
		}
	}
}

func houseMessage(points []site.Point, cells []string, loc *time.Location) (Message, error) {
	at, err := time.ParseInLocation("2006-01-02 15:04:05", cells[0], loc)
	if err != nil {
		return Message{}, fmt.Errorf("date %q: %w", cells[0], err)
	}
	m := Message{Received: at.Add(2 * time.Second).UTC()}
	b := append([]byte(nil), '[')
	for k, pt := range points {
		for j, q := range []site.Quantity{site.AirTemp, site.RH} {
			cell := cells[1+2*k+j]
			if cell == "" {
				continue
			}
			if _, err := strconv.ParseFloat(cell, 64); err != nil {
				return Message{}, fmt.Errorf("%s of %s: %w", q, pt.ID, err)
			}
			if m.Records++; m.Records == 1 {
				b = append(b, `{"bt":`...)
				b = strconv.AppendInt(b, at.Unix(), 10)
				b = append(b, ',')
				b = append(b, recordPrefix(pt.ID, q)[1:]...)
			} else {
				b = append(b, ',')
				b = append(b, recordPrefix(pt.ID, q)...)
			}
			b = append(append(append(b, `"v":`...), cell...), '}')
		}
	}
	m.Payload = append(b, ']')
	return m, nil
}

// GaugeRecording sends a stretch of a measured rain as one gauge would: every
// 15 min while it rains, and a dry record at each midnight UTC. The point is
// called gauge.
func GaugeRecording(r *Rain, id string, from, to time.Time, emit func(Message) error) error {
	const every = 900
	topic := "underkeep/1/" + id + "/gw-1/readings"
	for at := from.Unix()/every*every + every; at <= to.Unix(); at += every {
		mm := 0.0
		for s := at - every; s < at; s += rainStep {
			mm += r.DepthMM(s)
		}
		if mm == 0 && at%86400 != 0 {
			continue
		}
		b := append([]byte(`[{"bt":`), strconv.FormatInt(at, 10)...)
		b = append(b, ',')
		b = append(b, recordPrefix("gauge", site.Rain)[1:]...)
		b = append(b, `"v":`...)
		b = strconv.AppendFloat(b, mm, 'f', 4, 64)
		b = append(b, '}', ']')
		if err := emit(Message{Received: time.Unix(at+2, 0).UTC(), Topic: topic, Payload: b, Records: 1}); err != nil {
			return err
		}
	}
	return nil
}
