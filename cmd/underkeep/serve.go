package main

import (
	"context"
	"fmt"
	"io"
)

// runServe runs the service until SIGTERM or SIGINT; it then stores what it has
// taken and exits 0.
func runServe(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("serve", stderr)
	cfg.serviceFlags(fs)
	if err := fs.Parse(args); err != nil || fs.NArg() > 0 {
		return exitUsage
	}
	log, err := cfg.logger(stderr)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep serve: %v\n", err)
		return exitUsage
	}
	s := newService(cfg, log)
	if err := s.start(ctx); err != nil {
		fmt.Fprintf(stderr, "underkeep serve: %v\n", err)
		return exitNo
	}
	fmt.Fprintf(stdout, "underkeep serves http://%s\n", s.listener.Addr())
	if s.broker != nil {
		fmt.Fprintf(stdout, "gateways publish to mqtt://%s\n", s.broker.Addr())
	}
	defer s.stop()
	if err := s.wait(ctx); err != nil {
		fmt.Fprintf(stderr, "underkeep serve: %v\n", err)
		return exitNo
	}
	return exitOK
}
