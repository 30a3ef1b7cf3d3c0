package main

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"sort"

	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/site"
)

// runRehearse runs the evaluator over a recording and prints each alarm as one
// JSON object a line. It touches no database.
func runRehearse(_ context.Context, args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("rehearse", flag.ContinueOnError)
	fs.SetOutput(stderr)
	file := fs.String("property", "", "property `file`, all versions of one property")
	recording := fs.String("recording", "", "recording `file` (.gz and .zst are read too)")
	if err := fs.Parse(args); err != nil {
		return exitUsage
	}
	if *file == "" || *recording == "" || fs.NArg() > 0 {
		fmt.Fprintln(stderr, "Usage: underkeep rehearse --property FILE --recording FILE")
		return exitUsage
	}
	versions, err := readVersions(*file)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep rehearse: %v\n", err)
		return exitUsage
	}
	in, err := ingest.OpenRecording(*recording)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep rehearse: %v\n", err)
		return exitUsage
	}
	defer in.Close()
	r, err := ingest.Rehearse(versions, in)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep rehearse: %v\n", err)
		return exitUsage
	}
	if err := writeRehearsal(stdout, stderr, r); err != nil {
		fmt.Fprintf(stderr, "underkeep rehearse: write the alarms: %v\n", err)
		return exitNo
	}
	return exitOK
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

func writeRehearsal(stdout, stderr io.Writer, r *ingest.Rehearsal) error {
	w := bufio.NewWriter(stdout)
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	alarms := r.Replay.Alarms()
	for _, a := range alarms {
		if err := enc.Encode(a); err != nil {
			return err
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%d messages, %d readings, %d alarms, %d refused\n", r.Lines, r.Readings, len(alarms), total(r.Refused))
	return nil
}

func total(refused map[store.Reason]int) int {
	n := 0
	for _, k := range refused {
		n += k
	}
	return n
}
