package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"time"

	"underkeep/ingest"
	"underkeep/ingest/weather"
	"underkeep/store"
	"underkeep/store/site"
)

const rainUsage = "Usage: underkeep rain [--station] PROPERTY FILE"

// runRain back-fills rain from a file. Good lines are stored, the others go to
// quarantine and are told of; giving the same file again changes nothing.
func runRain(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("rain", stderr)
	station := fs.Bool("station", false, "as rain of the weather station, also where the property has a gauge")
	if err := fs.Parse(args); err != nil {
		return exitUsage
	}
	if fs.NArg() != 2 {
		fmt.Fprintln(stderr, rainUsage)
		return exitUsage
	}
	file, err := os.Open(fs.Arg(1))
	if err != nil {
		fmt.Fprintf(stderr, "underkeep rain: %v\n", err)
		return exitUsage
	}
	defer file.Close()
	code := exitNo
	err = cfg.withStore(ctx, stderr, func(st *store.Store) error {
		if err := st.RefreshRegistry(ctx); err != nil {
			return err
		}
		code, err = fillRain(ctx, st, fs.Arg(0), *station, file, stdout, stderr)
		return err
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep rain: %s: %v\n", fs.Arg(1), err)
	}
	return code
}

// rainFill carries one file into the store.
type rainFill struct {
	st       *store.Store
	sites    ingest.Sites
	property string
	point    string
	received time.Time
	batch    ingest.Outside
	refused  []store.Refusal
	total    store.Recorded
	lines    int
	stderr   io.Writer
}

func fillRain(ctx context.Context, st *store.Store, property string, station bool, file io.Reader, stdout, stderr io.Writer) (int, error) {
	reg, ok := st.Registry().Property(property)
	if !ok {
		return exitUsage, fmt.Errorf("property %s is not registered", property)
	}
	f := &rainFill{st: st, sites: ingest.StoreSites(st.Registry), property: property, point: store.StationPoint, received: time.Now().UTC(), stderr: stderr}
	desc, err := reg.Current()
	if err != nil {
		return exitNo, err
	}
	for _, p := range desc.Points {
		if p.Has(site.Rain) && !station {
			f.point = p.ID
			break
		}
	}
	if err := st.EnsureSource(ctx, property, store.RainFileSource, f.point, site.Rain); err != nil {
		return exitNo, err
	}
	if err := weather.ReadRain(file, func(l weather.RainLine) error { return f.take(ctx, l) }); err != nil {
		return exitUsage, err
	}
	if err := f.flush(ctx); err != nil {
		return exitNo, err
	}
	bad := 0
	for _, n := range f.total.Quarantined {
		bad += n
	}
	fmt.Fprintf(stdout, "%s, rain at %s: %d lines, %d stored, %d were there already, %d in quarantine\n", property, f.point, f.lines, f.total.Stored, f.total.Duplicate, bad)
	if bad > 0 {
		for reason, n := range f.total.Quarantined {
			fmt.Fprintf(stdout, "  quarantine, %s: %d\n", reason, n)
		}
		return exitNo, nil
	}
	return exitOK, nil
}

func (f *rainFill) take(ctx context.Context, l weather.RainLine) error {
	f.lines++
	if l.Err != nil {
		fmt.Fprintf(f.stderr, "line %d: %v\n", l.Number, l.Err)
		raw := []byte(l.Text)
		f.refused = append(f.refused, store.Refusal{Topic: ingest.ReadingsTopic(f.property, store.RainFileSource), Payload: raw, PayloadBytes: len(raw),
			PayloadHash: sha256.Sum256(raw), Reason: store.ReasonNotReadable, Detail: fmt.Sprintf("line %d of a file of rain: %v", l.Number, l.Err)})
	} else {
		f.batch.Readings = append(f.batch.Readings, store.Reading{Point: f.point, Quantity: site.Rain, At: l.At, Value: l.MM})
	}
	if len(f.batch.Readings)+len(f.refused) < store.MaxBatch {
		return nil
	}
	return f.flush(ctx)
}

func (f *rainFill) flush(ctx context.Context) error {
	if len(f.batch.Readings)+len(f.refused) == 0 {
		return nil
	}
	f.batch.Property, f.batch.Source, f.batch.Received = f.property, store.RainFileSource, f.received
	d := ingest.CheckOutside(f.sites, f.batch)
	for _, r := range d.Refused {
		fmt.Fprintln(f.stderr, r.Detail)
	}
	d.Refused = append(d.Refused, f.refused...)
	got, err := f.st.Record(ctx, []store.Delivery{d})
	if err != nil {
		return err
	}
	f.total.Stored, f.total.Duplicate = f.total.Stored+got.Stored, f.total.Duplicate+got.Duplicate
	for reason, n := range got.Quarantined {
		if f.total.Quarantined == nil {
			f.total.Quarantined = map[store.Reason]int{}
		}
		f.total.Quarantined[reason] += n
	}
	f.batch.Readings, f.refused = nil, nil
	return nil
}
