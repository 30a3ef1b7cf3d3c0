package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"underkeep/store"
)

const gatewayUsage = `Usage: underkeep gateway add PROPERTY GATEWAY       first password, or a new one at once
       underkeep gateway rotate PROPERTY GATEWAY    new password; the old one works on for --overlap (168h)
       underkeep gateway revoke PROPERTY GATEWAY    all its passwords fail, its connection ends
       underkeep gateway list [PROPERTY]
       underkeep gateway export FOLDER              password and access files for Mosquitto; --pid-file FILE has it read them`

// runGateway gives gateways their MQTT passwords and takes them away.
func runGateway(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	words := map[string][2]int{"add": {2, 2}, "rotate": {2, 2}, "revoke": {2, 2}, "list": {0, 1}, "export": {1, 1}}
	if len(args) == 0 || words[args[0]] == [2]int{} {
		fmt.Fprintln(stderr, gatewayUsage)
		return exitUsage
	}
	fs, cfg := newFlags("gateway "+args[0], stderr)
	overlap := fs.Duration("overlap", 7*24*time.Hour, "how long the old password works on")
	pidFile := fs.String("pid-file", "", "`file` with the process id of Mosquitto, which is told to read the files anew")
	// Flags may stand behind the names, too.
	var names []string
	rest := args[1:]
	for len(rest) > 0 {
		if err := fs.Parse(rest); err != nil {
			return exitUsage
		}
		if rest = fs.Args(); len(rest) > 0 {
			names, rest = append(names, rest[0]), rest[1:]
		}
	}
	if n := words[args[0]]; len(names) < n[0] || len(names) > n[1] {
		fmt.Fprintln(stderr, gatewayUsage)
		return exitUsage
	}
	names = append(names, "", "")
	err := cfg.withStore(ctx, stderr, func(st *store.Store) error {
		switch args[0] {
		case "add":
			return printCredentials(stdout)(st.AddGateway(ctx, names[0], names[1], operator()))
		case "rotate":
			return printCredentials(stdout)(st.RotateGateway(ctx, names[0], names[1], *overlap, operator()))
		case "revoke":
			return st.RevokeGateway(ctx, names[0], names[1], operator())
		case "list":
			return listGateways(ctx, st, names[0], stdout)
		}
		return exportGateways(ctx, st, names[0], *pidFile, stdout, stderr)
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep gateway %s: %v\n", args[0], err)
		return exitNo
	}
	return exitOK
}

func printCredentials(w io.Writer) func(store.Credentials, error) error {
	return func(c store.Credentials, err error) error {
		if err != nil {
			return err
		}
		if !c.OldUntil.IsZero() {
			fmt.Fprintf(w, "The old password works until %s.\n", c.OldUntil.Format(time.RFC3339))
		}
		fmt.Fprintf(w, "username: %s\npassword: %s\n", c.Username, c.Password)
		return nil
	}
}

func listGateways(ctx context.Context, st *store.Store, property string, w io.Writer) error {
	found, err := st.GatewayAccounts(ctx, property)
	for _, g := range found {
		state := ""
		switch {
		case g.Revoked:
			state = "revoked"
		case !g.OldUntil.IsZero():
			state = "old password until " + g.OldUntil.Format(time.RFC3339)
		}
		heard := "never heard"
		if !g.HeardAt.IsZero() {
			heard = "heard " + g.HeardAt.Format(time.RFC3339)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", g.Property, g.Gateway, g.Username, heard, state)
	}
	return err
}

// Names of the files that Mosquitto reads; as in deploy/mosquitto.
const (
	passwordFile = "passwords"
	accessFile   = "acl"
)

// exportGateways writes the files of an external Mosquitto and has it read them.
func exportGateways(ctx context.Context, st *store.Store, dir, pidFile string, stdout, stderr io.Writer) error {
	accounts, err := st.BrokerAccounts(ctx, time.Now())
	if err != nil {
		return err
	}
	others, err := otherAccounts(filepath.Join(dir, passwordFile))
	if err != nil {
		return err
	}
	passwords, access := brokerFiles(accounts, others, stderr)
	// The access list first: a new account without its line could not publish.
	if err := replaceFile(filepath.Join(dir, accessFile), access); err != nil {
		return err
	}
	if err := replaceFile(filepath.Join(dir, passwordFile), passwords); err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%d passwords of gateways written to %s\n", strings.Count(passwords, "/"), dir)
	if pidFile == "" {
		return nil
	}
	return hangUp(pidFile)
}

// otherAccounts keeps the lines of a password file that are no gateway's: the
// service's own account, and whatever else somebody put there.
func otherAccounts(name string) (lines []string, err error) {
	data, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the password file there is: %w", err)
	}
	for line := range strings.Lines(string(data)) {
		user, _, _ := strings.Cut(line, ":")
		if line = strings.TrimSpace(line); line != "" && !strings.Contains(user, "/") {
			lines = append(lines, line)
		}
	}
	return lines, nil
}

const accessHead = `# Written by "underkeep gateway export"; changes here are lost.

# Underkeep reads everything that gateways send.
user underkeep
topic read underkeep/1/#
topic read $SYS/broker/#

# Every gateway writes under its own name and reads nothing.
pattern write underkeep/1/%u/#
`

func brokerFiles(accounts []store.BrokerAccount, others []string, stderr io.Writer) (passwords, access string) {
	var p, a strings.Builder
	for _, line := range others {
		p.WriteString(line + "\n")
	}
	a.WriteString(accessHead)
	for _, c := range accounts {
		if c.Hash == "" {
			fmt.Fprintf(stderr, "underkeep gateway export: %s is left out: its password is older than this export; give it a new one with gateway rotate\n", c.Username)
			continue
		}
		p.WriteString(c.Username + ":" + c.Hash + "\n")
		if !c.Own { // the second user name of a gateway does not stand in its topics
			fmt.Fprintf(&a, "\nuser %s\ntopic write %s\n", c.Username, c.Topics)
		}
	}
	return p.String(), a.String()
}

// replaceFile puts content in the place of a file at once: whoever reads it
// meanwhile sees the old or the new. Owner and mode stay, since Mosquitto reads
// it after it has given up root.
func replaceFile(name, content string) error {
	mode, uid, gid := os.FileMode(0o600), -1, -1
	if info, err := os.Stat(name); err == nil {
		mode = info.Mode().Perm()
		if st, ok := info.Sys().(*syscall.Stat_t); ok {
			uid, gid = int(st.Uid), int(st.Gid)
		}
	}
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-")
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	defer os.Remove(f.Name()) // gone by then where all went well
	_, err = f.WriteString(content)
	for _, step := range []func() error{
		func() error { return f.Chmod(mode) },
		func() error { return chownIfNeeded(f, uid, gid) },
		f.Sync, f.Close,
		func() error { return os.Rename(f.Name(), name) },
	} {
		if err == nil {
			err = step()
		}
	}
	if err != nil {
		f.Close()
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}

func chownIfNeeded(f *os.File, uid, gid int) error {
	if uid < 0 || uid == os.Geteuid() && gid == os.Getegid() {
		return nil
	}
	return f.Chown(uid, gid)
}

// hangUp tells the process that a file names to read its files anew.
func hangUp(pidFile string) error {
	data, err := os.ReadFile(pidFile)
	if err != nil {
		return fmt.Errorf("read the process id of the broker: %w", err)
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(data)))
	if err != nil || pid <= 1 {
		return fmt.Errorf("%s holds %.20q and no process id", pidFile, data)
	}
	if err := syscall.Kill(pid, syscall.SIGHUP); err != nil {
		return fmt.Errorf("have process %d read its files anew: %w", pid, err)
	}
	return nil
}
