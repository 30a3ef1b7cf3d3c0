package main

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"underkeep/store/evidence"
)

const witnessUsage = `Usage: underkeep witness --log URL --key KEYFILE --keep FILE

Keeps the latest checkpoint of a log in FILE, after it was shown that the log
grew out of the one kept there before and nothing in it was changed. Run it now
and then, or from cron, on a machine that is not the log's. A checkpoint out of
a message serves as the first FILE too.

Exit codes: 0 the log is as it was, or grew; 1 it was rewritten or cut, or could
not be asked; 2 wrong usage.
`

const (
	witnessTimeout = 30 * time.Second
	witnessMost    = 1 << 20
)

// witness holds a log against what it said before.
type witness struct {
	log  *url.URL
	keys evidence.Keys
	keep string
}

// runWitness keeps and checks checkpoints over HTTP.
func runWitness(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, _ := newFlags("witness", stderr)
	log := fs.String("log", "", "`URL` of the service that has the log")
	keyFile := fs.String("key", "", "`file` with public keys of the log")
	keep := fs.String("keep", "", "`file` that keeps the checkpoint")
	fs.Usage = func() { fmt.Fprint(stderr, witnessUsage) }
	if err := fs.Parse(args); err != nil {
		return exitUsage
	}
	if fs.NArg() > 0 || *log == "" || *keyFile == "" || *keep == "" {
		fs.Usage()
		return exitUsage
	}
	w := witness{keep: *keep}
	text, err := os.ReadFile(*keyFile)
	if err == nil {
		w.keys, err = evidence.ParseKeys(string(text))
	}
	if err == nil {
		w.log, err = url.Parse(*log)
	}
	if err == nil && (w.log.Host == "" || w.log.Scheme != "http" && w.log.Scheme != "https") {
		err = fmt.Errorf("log %q: want a URL such as https://example.org", *log)
	}
	if err != nil {
		fmt.Fprintf(stderr, "underkeep witness: %v\n", err)
		return exitUsage
	}
	ctx, cancel := context.WithTimeout(ctx, witnessTimeout)
	defer cancel()
	said, err := w.look(ctx)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep witness: %v\n", err)
		return exitNo
	}
	fmt.Fprintln(stdout, said)
	return exitOK
}

// look fetches the present checkpoint and keeps it when the log grew out of the
// one kept.
func (w witness) look(ctx context.Context) (string, error) {
	signed, err := w.get(ctx, "v1/evidence/checkpoint")
	if err != nil {
		return "", err
	}
	now, err := evidence.OpenCheckpoint(signed, w.keys)
	if err != nil {
		return "", fmt.Errorf("the log's %w", err)
	}
	before, err := os.ReadFile(w.keep)
	if errors.Is(err, os.ErrNotExist) {
		return fmt.Sprintf("kept the first checkpoint of %s: %d records", now.Origin, now.Size), w.write(signed)
	}
	if err != nil {
		return "", err
	}
	kept, err := evidence.OpenCheckpoint(before, w.keys)
	if err != nil {
		return "", fmt.Errorf("%s: %w", w.keep, err)
	}
	if kept.Origin != now.Origin {
		return "", fmt.Errorf("%s is of the log %s, this one is %s", w.keep, kept.Origin, now.Origin)
	}
	if err := w.compare(ctx, kept, now); err != nil {
		return "", err
	}
	if now.Tree == kept.Tree {
		return fmt.Sprintf("%s: %d records, as before", now.Origin, now.Size), nil
	}
	return fmt.Sprintf("%s: grew from %d to %d records, nothing was changed", now.Origin, kept.Size, now.Size), w.write(signed)
}

// compare asks for a proof that the log grew. Where there cannot be one, both
// signed checkpoints are the proof of the contrary, so the new one is kept
// beside the old.
func (w witness) compare(ctx context.Context, kept, now evidence.Checkpoint) error {
	var proof [][32]byte
	var err error
	if kept.Size < now.Size {
		if proof, err = w.proof(ctx, kept.Size, now.Size); err != nil {
			return err
		}
	}
	if err = now.CheckGrowth(kept.Tree, proof); err == nil {
		return nil
	}
	beside := w.keep + ".conflict"
	verdict := fmt.Errorf("the log %s was rewritten: it had %d records and has %d now, and did not grow out of them (%w); keep %s and %s: both are signed",
		now.Origin, kept.Size, now.Size, err, w.keep, beside)
	return errors.Join(verdict, os.WriteFile(beside, now.Note, 0o644))
}

func (w witness) proof(ctx context.Context, from, to int64) ([][32]byte, error) {
	text, err := w.get(ctx, fmt.Sprintf("v1/evidence/consistency?from=%d&to=%d", from, to))
	if err != nil {
		return nil, err
	}
	var proof [][32]byte
	for line := range strings.Lines(string(text)) {
		h, err := base64.StdEncoding.DecodeString(strings.TrimSpace(line))
		if err != nil || len(h) != 32 || len(proof) > 128 {
			return nil, errors.New("the log answers with no proof")
		}
		proof = append(proof, [32]byte(h))
	}
	return proof, nil
}

func (w witness) get(ctx context.Context, path string) ([]byte, error) {
	where, err := w.log.Parse(strings.TrimSuffix(w.log.Path, "/") + "/" + path)
	if err != nil {
		return nil, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, where.String(), nil)
	if err != nil {
		return nil, err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask the log: %w", err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, witnessMost))
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("status %s", res.Status)
	}
	if err != nil {
		return nil, fmt.Errorf("ask the log for %s: %w", path, err)
	}
	return body, nil
}

// write replaces what is kept as a whole.
func (w witness) write(signed []byte) error {
	f, err := os.CreateTemp(filepath.Dir(w.keep), filepath.Base(w.keep)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(signed)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), w.keep)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("keep the checkpoint: %w", err), os.Remove(f.Name()))
	}
	return nil
}
