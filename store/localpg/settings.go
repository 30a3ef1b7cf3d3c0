package localpg

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// args is the server's command line. What durability, privacy and this package
// rest on stands here, since the command line outranks every configuration file.
func (c *Cluster) args(folder string, withTCP bool) []string {
	fixed := map[string]string{
		"unix_socket_directories": c.endpoint.socketDir,
		"unix_socket_permissions": "0700",
		"listen_addresses":        "",
		"port":                    strconv.Itoa(c.endpoint.port),
		"fsync":                   onOff(!c.opts.Throwaway),
		"synchronous_commit":      onOff(!c.opts.Throwaway),
		"full_page_writes":        onOff(!c.opts.Throwaway),
		"logging_collector":       "off", // the service reads stderr
		"log_destination":         "stderr",
		"log_line_prefix":         "",
		"lc_messages":             "C.UTF-8",
		"password_encryption":     "scram-sha-256",
		"restart_after_crash":     "on",
	}
	if withTCP {
		fixed["listen_addresses"] = "127.0.0.1"
	}
	args := []string{"-D", folder}
	for _, name := range slices.Sorted(maps.Keys(fixed)) {
		args = append(args, "-c", name+"="+fixed[name])
	}
	return args
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// defaults suit a small machine that the service shares with the database.
func (c *Cluster) defaults() map[string]string {
	memory := machineMemoryMB()
	settings := map[string]string{
		"max_connections":              "80",
		"shared_buffers":               megabytes(memory/8, 64, 2048),
		"effective_cache_size":         megabytes(memory/2, 256, 65536),
		"maintenance_work_mem":         megabytes(memory/32, 32, 512),
		"work_mem":                     megabytes(memory/256, 4, 32),
		"max_wal_size":                 "2GB",
		"checkpoint_timeout":           "15min",
		"checkpoint_completion_target": "0.9",
		"random_page_cost":             "1.1", // solid-state storage
		"jit":                          "off", // short statements only
		"timezone":                     "UTC",
		"log_timezone":                 "UTC",
		"log_checkpoints":              "off",
		"log_autovacuum_min_duration":  "-1",
	}
	if c.opts.Throwaway {
		settings["shared_buffers"] = "64MB"
		settings["max_connections"] = "300"
		settings["max_wal_size"] = "256MB"
	}
	maps.Copy(settings, c.opts.Settings)
	return settings
}

func megabytes(n, least, most int) string { return strconv.Itoa(min(max(n, least), most)) + "MB" }

const (
	generatedConf = "underkeep.conf"
	hba           = `# Made by Underkeep at each start.
local all         all      scram-sha-256
host  all         all      127.0.0.1/32 scram-sha-256
local replication postgres scram-sha-256
`
)

// configure writes the settings and who may log in, anew at each start.
// An operator's own settings go into local.conf beside the cluster.
func (c *Cluster) configure() error {
	var b strings.Builder
	b.WriteString("# Made by Underkeep at each start; your own settings belong into ../local.conf.\n")
	settings := c.defaults()
	for _, name := range slices.Sorted(maps.Keys(settings)) {
		fmt.Fprintf(&b, "%s = '%s'\n", name, strings.ReplaceAll(settings[name], "'", "''"))
	}
	own, err := os.ReadFile(filepath.Join(c.dir, "local.conf"))
	if err == nil {
		b.Write(own)
	} else if !os.IsNotExist(err) {
		return fmt.Errorf("private Postgres: reading local.conf: %w", err)
	}
	if err := c.writeInCluster(generatedConf, b.String()); err != nil {
		return err
	}
	if err := c.writeInCluster("pg_hba.conf", hba); err != nil {
		return err
	}
	return c.includeGenerated()
}

// includeGenerated adds our file to the configuration that initdb made.
func (c *Cluster) includeGenerated() error {
	path := filepath.Join(c.pgdata(), "postgresql.conf")
	text, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("private Postgres: reading its configuration: %w", err)
	}
	line := "include '" + generatedConf + "'"
	if strings.Contains(string(text), "\n"+line) {
		return nil
	}
	return c.writeInCluster("postgresql.conf", string(text)+"\n"+line+"\n")
}

// writeInCluster replaces a file of the cluster in one step, so that a crash leaves
// the old one or the new one.
func (c *Cluster) writeInCluster(name, text string) error {
	path := filepath.Join(c.pgdata(), name)
	if err := os.WriteFile(path+".new", []byte(text), 0o600); err != nil {
		return fmt.Errorf("private Postgres: writing %s: %w", name, err)
	}
	if err := c.account.own(path + ".new"); err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return fmt.Errorf("private Postgres: putting %s in place: %w", name, err)
	}
	return nil
}

// machineMemoryMB is the memory of the machine, or of the container if that is
// less; 1024 when neither can be read.
func machineMemoryMB() int {
	memory := 1024
	if text, err := os.ReadFile("/proc/meminfo"); err == nil {
		var kB int
		if _, err := fmt.Sscanf(string(text), "MemTotal: %d kB", &kB); err == nil {
			memory = kB / 1024
		}
	}
	if text, err := os.ReadFile("/sys/fs/cgroup/memory.max"); err == nil {
		if limit, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64); err == nil {
			memory = min(memory, int(limit>>20))
		}
	}
	return memory
}
