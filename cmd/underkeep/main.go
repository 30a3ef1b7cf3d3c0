// Command underkeep keeps watch over the sealed spaces under houses: it stores
// what the sensors say, judges it, tells people, and keeps the evidence.
//
// Every subcommand lives in a file of its own and has one line in the commands
// table below. Exit codes: 0 done and good, 1 done and the answer is no (or it
// could not be done), 2 wrong usage or unusable input.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// Exit codes of every subcommand.
const (
	exitOK    = 0
	exitNo    = 1
	exitUsage = 2
)

// command is one subcommand of underkeep.
type command struct {
	name    string // the word on the command line
	args    string // its arguments, for the usage text
	summary string // one line, for the usage text
	run     func(ctx context.Context, args []string, stdout, stderr io.Writer) int
}

// commands in the order in which the usage text lists them. It is a function so
// that a command may itself print the table.
func commands() []command {
	return []command{
		{"serve", "[--data FOLDER]", "run the service: broker or subscriber, evaluation, pages and API", runServe},
		{"demo", "[--cottages N]", "the same with a simulated fleet: three months of history, then live", runDemo},
		{"register", "FILE...", "add or update properties from property files", runRegister},
		{"gateway", "add|rotate|revoke|list|export ...", "MQTT passwords of gateways, printed once; files for Mosquitto", runGateway},
		{"person", "add|change|list|password|disable|enable ...", "add and change the people who sign in or are written to", runPerson},
		{"token", "create|list|revoke ...", "bearer tokens for programs, printed once", runToken},
		{"audit", "[--actor WHO] [--action WHAT] [--object WHAT]", "who came in and what they changed, newest first", runAudit},
		{"rain", "PROPERTY FILE", "fill in rain from a file: time,depth [mm]", runRain},
		{"routing", "show|set FILE", "who is told of what: show the file in force, or put another in force", runRouting},
		{"mail", "test ADDRESS|stopped|resume ADDRESS", "send a test message; addresses that want no messages", runMail},
		{"preview", "--condition NAME [--lang es] [--units si] [--for company] [--html]", "print a message as it would be sent", runPreview},
		{"webhook", "add URL --name NAME|list|rotate ID|disable ID", "programs that are told of alarms", runWebhook},
		{"check", "FILE [--json]", "check what was installed against published formulas and codes", runCheck},
		{"seal", "[--verify | --rotate-key]", "seal finished days now, check the whole log, or change its key", runSeal},
		{"verify", "BUNDLE --key KEYFILE", "check an evidence bundle offline", runVerify},
		{"witness", "--log URL --key KEYFILE --keep FILE", "keep a log's checkpoint and check that it only grew", runWitness},
		{"rehearse", "--property FILE --recording FILE [--limits FILE]", "the alarms of a recording, or of stored history (--property-id), also under other limits", runRehearse},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run finds the subcommand and hands over to it.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		usage(stderr)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		usage(stdout)
		return exitOK
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, args[1:], stdout, stderr)
		}
	}
	fmt.Fprintf(stderr, "underkeep: no command %q\n\n", args[0])
	usage(stderr)
	return exitUsage
}

func usage(w io.Writer) {
	fmt.Fprint(w, "Usage: underkeep COMMAND [ARGUMENTS]\n\n")
	cs := commands()
	width := 0
	for _, c := range cs {
		width = max(width, len(c.name)+1+len(c.args))
	}
	for _, c := range cs {
		fmt.Fprintf(w, "  %-*s  %s\n", width, c.name+" "+c.args, c.summary)
	}
}
