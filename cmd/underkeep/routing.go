package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"time"

	"underkeep/alerting/notify/route"
	"underkeep/alerting/notify/send"
	"underkeep/alerting/notify/words"
	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// runRouting shows or sets who is told of what.
func runRouting(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("routing", stderr)
	if err := fs.Parse(args); err != nil {
		return exitUsage
	}
	switch verb := fs.Arg(0); {
	case verb == "show" && fs.NArg() == 1:
		return report(stderr, "routing", cfg.withStore(ctx, stderr, func(s *store.Store) error {
			r, err := s.Routing(ctx)
			if err != nil {
				return err
			}
			document := r.Document
			if r.ID == 0 {
				document = string(route.DefaultDocument())
			}
			_, err = io.WriteString(stdout, document)
			return err
		}))
	case verb == "set" && fs.NArg() == 2:
		document, err := os.ReadFile(fs.Arg(1))
		if err == nil {
			_, err = route.Parse(document)
		}
		if err != nil {
			fmt.Fprintf(stderr, "underkeep routing: %v\n", err)
			return exitUsage
		}
		return report(stderr, "routing", cfg.withStore(ctx, stderr, func(s *store.Store) error {
			return s.SetRouting(ctx, string(document), "command line", time.Now())
		}))
	}
	fmt.Fprintln(stderr, "underkeep routing: want show, or set FILE")
	return exitUsage
}

// report prints an error and gives the exit code.
func report(stderr io.Writer, command string, err error) int {
	if err != nil {
		fmt.Fprintf(stderr, "underkeep %s: %v\n", command, err)
		return exitNo
	}
	return exitOK
}

// runPreview prints the message of a condition as it would be sent.
func runPreview(_ context.Context, args []string, stdout, stderr io.Writer) int {
	fs, _ := newFlags("preview", stderr)
	condition := fs.String("condition", string(site.HighWaterAlarm), "`condition` of the message")
	lang := fs.String("lang", "en", "`language`: en or es")
	sys := fs.String("units", "us", "`units`: us or si")
	reader := fs.String("for", "owner", "`reader`: owner or company")
	html := fs.Bool("html", false, "the HTML form of the mail")
	if err := fs.Parse(args); err != nil || fs.NArg() > 0 {
		return exitUsage
	}
	if !slices.Contains(site.Conditions(), site.Condition(*condition)) || *lang != "en" && *lang != "es" || *sys != "us" && *sys != "si" ||
		*reader != "owner" && *reader != "company" {
		fmt.Fprintf(stderr, "underkeep preview: want --condition one of %v, --lang en|es, --units us|si, --for owner|company\n", site.Conditions())
		return exitUsage
	}
	m := words.Example(words.Lang(*lang), units.System(*sys), *reader == "owner", site.Condition(*condition), words.Raised)
	mail := m.Mail()
	if *html {
		fmt.Fprint(stdout, mail.HTML)
		return exitOK
	}
	fmt.Fprintf(stdout, "Subject: %s\n\n%s\nAs a text message:\n%s\n", mail.Subject, mail.Text, m.Text())
	return exitOK
}

// runWebhook adds, lists and disables programs that are told of alarms.
func runWebhook(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("webhook", stderr)
	name := fs.String("name", "", "`name` of the receiver")
	loopback := fs.Bool("webhooks-to-loopback", os.Getenv("UNDERKEEP_WEBHOOKS_TO_LOOPBACK") == "true", "it may be on this machine, without TLS")
	if len(args) == 0 {
		fmt.Fprintln(stderr, "underkeep webhook: want add URL --name NAME, list, rotate ID or disable ID")
		return exitUsage
	}
	verb, rest := args[0], args[1:]
	subject := ""
	if len(rest) > 0 && rest[0] != "" && rest[0][0] != '-' {
		subject, rest = rest[0], rest[1:]
	}
	if err := fs.Parse(rest); err != nil || fs.NArg() > 0 {
		return exitUsage
	}
	id, _ := strconv.ParseInt(subject, 10, 32)
	do := map[string]func(*store.Store) error{
		"add": func(s *store.Store) error {
			if err := send.CheckURL(subject, *loopback); err != nil {
				return err
			}
			w, err := s.AddWebhook(ctx, *name, subject, "command line", time.Now())
			if err == nil {
				fmt.Fprintf(stdout, "webhook %d is told of alarms from now on; its secret, shown once:\n%s\n", w.ID, send.Secret(w.Secret))
			}
			return err
		},
		"list": func(s *store.Store) error { return listWebhooks(ctx, s, stdout) },
		"rotate": func(s *store.Store) error {
			w, err := s.RotateWebhook(ctx, int32(id), time.Now())
			if err == nil {
				fmt.Fprintf(stdout, "the old secret signs too until %s; the new one, shown once:\n%s\n", w.OldUntil.Format(time.RFC3339), send.Secret(w.Secret))
			}
			return err
		},
		"disable": func(s *store.Store) error { return s.DisableWebhook(ctx, int32(id), "by hand", time.Now()) },
	}[verb]
	if do == nil {
		fmt.Fprintln(stderr, "underkeep webhook: want add URL --name NAME, list, rotate ID or disable ID")
		return exitUsage
	}
	return report(stderr, "webhook", cfg.withStore(ctx, stderr, do))
}

func listWebhooks(ctx context.Context, s *store.Store, stdout io.Writer) error {
	list, err := s.Webhooks(ctx)
	for _, w := range list {
		state := "told of alarms"
		if !w.Disabled.IsZero() {
			state = "disabled " + w.Disabled.Format(time.RFC3339) + ": " + w.DisabledWhy
		}
		fmt.Fprintf(stdout, "%d\t%s\t%s\t%s\n", w.ID, w.Name, w.URL, state)
	}
	return err
}
