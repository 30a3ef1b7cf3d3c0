package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sort"
	"time"

	"underkeep/alerting"
	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/site"
)

const rehearseUsage = `Usage: underkeep rehearse --property FILE --recording FILE [--limits FILE [--json]]
       underkeep rehearse --property-id ID [--from TIME] [--to TIME] [--limits FILE [--json]]

Prints each alarm as one JSON object a line. With --limits it rehearses twice, as
the property is described and with the limits of the file laid over its own, and
prints both side by side; with --json the alarms of the second instead.

--property-id takes the stored history of a registered property instead of a
recording. Messages arrive as they did: what was forwarded late is late again,
and a gateway is heard when its readings were received. The evaluator begins at
--from knowing nothing. A time is RFC 3339, or a day in the property's zone.`

// rehearseFlags are what the command was asked for.
type rehearseFlags struct {
	file, recording, limits string
	id, from, to            string
	json                    bool
}

func (f *rehearseFlags) valid(rest int) bool {
	recorded := f.file != "" && f.recording != "" && f.id == "" && f.from == "" && f.to == ""
	stored := f.file == "" && f.recording == "" && f.id != ""
	return rest == 0 && (recorded || stored)
}

// runRehearse runs the evaluator over a recording or over stored history. Over a
// recording it touches no database.
func runRehearse(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("rehearse", stderr)
	var f rehearseFlags
	fs.StringVar(&f.file, "property", "", "property `file`, all versions of one property")
	fs.StringVar(&f.recording, "recording", "", "recording `file` (.gz and .zst are read too)")
	fs.StringVar(&f.limits, "limits", "", "`file` of limits to lay over the property's own")
	fs.BoolVar(&f.json, "json", false, "with --limits: print the alarms that they raise")
	fs.StringVar(&f.id, "property-id", "", "`ID` of a registered property, for its stored history")
	fs.StringVar(&f.from, "from", "", "`time` of the first reading (default: all)")
	fs.StringVar(&f.to, "to", "", "`time` before which readings are taken (default: now)")
	if err := fs.Parse(args); err != nil {
		return exitUsage
	}
	if !f.valid(fs.NArg()) {
		fmt.Fprintln(stderr, rehearseUsage)
		return exitUsage
	}
	r, err := f.rehearse(ctx, cfg, stderr)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep rehearse: %v\n", err)
		if errors.Is(err, errNoHistory) {
			return exitNo
		}
		return exitUsage
	}
	if err := f.write(stdout, stderr, r); err != nil {
		fmt.Fprintf(stderr, "underkeep rehearse: write the alarms: %v\n", err)
		return exitNo
	}
	return exitOK
}

// errNoHistory marks failures of the database: what was asked for is not wrong.
var errNoHistory = errors.New("the stored history cannot be read")

// rehearse gives one rehearsal, or with limits a second one beside it.
func (f *rehearseFlags) rehearse(ctx context.Context, cfg *config, stderr io.Writer) (out []*ingest.Rehearsal, err error) {
	if f.id != "" {
		var wrong error // with what was asked for
		err = cfg.withStore(ctx, stderr, func(st *store.Store) (err error) {
			out, wrong, err = f.stored(ctx, st)
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("%w: %w", errNoHistory, err)
		}
		return out, wrong
	}
	versions, err := readVersions(f.file)
	if err != nil {
		return nil, err
	}
	descriptions, err := f.descriptions(versions)
	if err != nil {
		return nil, err
	}
	in, err := ingest.OpenRecording(f.recording)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	return ingest.RehearseEach(in, descriptions...)
}

// stored tells apart what is wrong with the question and what with the database.
func (f *rehearseFlags) stored(ctx context.Context, st *store.Store) (out []*ingest.Rehearsal, wrong, err error) {
	d, err := st.Description(f.id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, err, nil
	}
	if err != nil {
		return nil, nil, err
	}
	from, to, descriptions, wrong := f.span(d)
	if wrong != nil {
		return nil, wrong, nil
	}
	out, err = ingest.RehearseStored(ctx, st, d, from, to, descriptions...)
	return out, nil, err
}

// span is what is to be rehearsed.
func (f *rehearseFlags) span(d alerting.Description) (from, to time.Time, descriptions [][]site.Property, err error) {
	last := d.Versions[len(d.Versions)-1]
	if from, err = timeFlag("--from", f.from, last.Zone(), last.Installed.In(last.Zone())); err != nil {
		return from, to, nil, err
	}
	if to, err = timeFlag("--to", f.to, last.Zone(), time.Now()); err != nil {
		return from, to, nil, err
	}
	if !from.Before(to) {
		return from, to, nil, fmt.Errorf("--from %s is not before --to %s", from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	descriptions, err = f.descriptions(d.Versions)
	return from, to, descriptions, err
}

// timeFlag reads an RFC 3339 time or a day, which begins at midnight in zone.
func timeFlag(name, text string, zone *time.Location, otherwise time.Time) (time.Time, error) {
	if text == "" {
		return otherwise.UTC(), nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil {
		return t.UTC(), nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s %q: want a time such as 2026-07-01T00:00:00Z, or a day such as 2026-07-01", name, text)
	}
	return t.UTC(), nil
}

// descriptions are the property as it is and, with limits, under them too.
func (f *rehearseFlags) descriptions(versions []site.Property) ([][]site.Property, error) {
	if f.limits == "" {
		return [][]site.Property{versions}, nil
	}
	data, err := os.ReadFile(f.limits)
	if err != nil {
		return nil, err
	}
	limits, err := site.ParseLimits(data, f.limits)
	if err != nil {
		return nil, err
	}
	changed := make([]site.Property, len(versions))
	for i, v := range versions {
		changed[i] = v
		if changed[i].Limits, err = limits.Over(v.Limits); err != nil {
			return nil, fmt.Errorf("%s over the limits of %s: %w", f.limits, v.ID, err)
		}
	}
	return [][]site.Property{versions, changed}, nil
}

// readVersions reads all versions of one property: documents of one file.
func readVersions(name string) ([]site.Property, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	versions, err := site.ParseProperties(data, name)
	if err != nil {
		return nil, err
	}
	for _, v := range versions[1:] {
		if v.ID != versions[0].ID {
			return nil, fmt.Errorf("%s describes %s and %s; a rehearsal is of one property", name, versions[0].ID, v.ID)
		}
	}
	sort.SliceStable(versions, func(i, j int) bool {
		a, b := versions[i].Effective, versions[j].Effective
		return b != nil && (a == nil || a.Before(*b))
	})
	return versions, nil
}

// write prints what was asked for; the tally goes to stderr.
func (f *rehearseFlags) write(stdout, stderr io.Writer, all []*ingest.Rehearsal) error {
	last := all[len(all)-1]
	alarms := last.Replay.Alarms()
	w := bufio.NewWriter(stdout)
	if len(all) > 1 && !f.json {
		writeSideBySide(w, sideBySide{limits: f.limits, a: all[0].Replay.Alarms(), b: alarms, end: last.Ended})
	} else if err := writeAlarms(w, alarms); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%d messages, %d readings, %d alarms, %d refused\n", last.Lines, last.Readings, len(alarms), total(last.Refused))
	return nil
}

func writeAlarms(w io.Writer, alarms []alerting.Alarm) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for _, a := range alarms {
		if err := enc.Encode(a); err != nil {
			return err
		}
	}
	return nil
}

func total(refused map[store.Reason]int) int {
	n := 0
	for _, k := range refused {
		n += k
	}
	return n
}
