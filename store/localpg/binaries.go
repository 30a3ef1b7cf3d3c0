package localpg

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// oldestMajor is the oldest Postgres that the service works with.
const oldestMajor = 14

// ErrNoBinaries says that the machine has no usable Postgres programs.
var ErrNoBinaries = errors.New("no PostgreSQL server programs")

// ErrVersion says that the cluster was made by a major version of Postgres whose
// programs were not found. Nothing is changed then.
var ErrVersion = errors.New("PostgreSQL version does not match the data")

// binaries is one installation: a folder with initdb and postgres.
type binaries struct {
	dir   string
	major int
}

func (b binaries) path(program string) string { return filepath.Join(b.dir, program) }

// findBinaries lists the installations, newest first. Dirs replaces the usual
// places when not empty.
func findBinaries(ctx context.Context, dirs []string) ([]binaries, error) {
	if len(dirs) == 0 {
		dirs = usualBinDirs()
	}
	var found []binaries
	var tooOld []string
	for _, dir := range dirs {
		major, ok := majorOf(ctx, dir)
		switch {
		case !ok || slices.ContainsFunc(found, func(b binaries) bool { return b.dir == dir }):
		case major < oldestMajor:
			tooOld = append(tooOld, fmt.Sprintf("%s is %d", dir, major))
		default:
			found = append(found, binaries{dir, major})
		}
	}
	slices.SortStableFunc(found, func(a, b binaries) int { return cmp.Compare(b.major, a.major) })
	if len(found) == 0 {
		return nil, noBinaries(tooOld)
	}
	return found, nil
}

func noBinaries(tooOld []string) error {
	note := ""
	if len(tooOld) > 0 {
		note = fmt.Sprintf(" (too old: %s)", strings.Join(tooOld, ", "))
	}
	return fmt.Errorf("%w: initdb and postgres, version %d or newer, are neither on PATH nor in /usr/lib/postgresql/*/bin%s; "+
		"install the Debian package \"postgresql\" (apt-get install postgresql), "+
		"or set UNDERKEEP_DATABASE_URL to a server of your own", ErrNoBinaries, oldestMajor, note)
}

func usualBinDirs() []string {
	dirs := filepath.SplitList(os.Getenv("PATH"))
	debian, _ := filepath.Glob("/usr/lib/postgresql/*/bin") // the pattern is well formed
	return append(dirs, debian...)
}

// versionPattern takes "postgres (PostgreSQL) 15.18 (Debian 15.18-0)", "17beta1".
var versionPattern = regexp.MustCompile(`^postgres \(PostgreSQL\) (\d+)`)

// majorOf asks the programs of a folder for their version; false when the folder
// has no complete installation.
func majorOf(ctx context.Context, dir string) (int, bool) {
	if _, err := exec.LookPath(filepath.Join(dir, "initdb")); err != nil || !filepath.IsAbs(dir) {
		return 0, false
	}
	out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return 0, false
	}
	m := versionPattern.FindSubmatch(out)
	if m == nil {
		return 0, false
	}
	major, err := strconv.Atoi(string(m[1]))
	return major, err == nil
}

// chooseBinaries takes the newest installation for a new cluster, and for an
// existing one the installation of its own major version and no other.
func chooseBinaries(found []binaries, pgdata string) (binaries, error) {
	major, err := clusterMajor(pgdata)
	if errors.Is(err, os.ErrNotExist) {
		if _, err := os.Lstat(pgdata); err == nil {
			return binaries{}, fmt.Errorf("private Postgres: %s exists but has no PG_VERSION, so it is no cluster; "+
				"move it away or choose another data folder: %w", pgdata, ErrVersion)
		}
		return found[0], nil
	}
	if err != nil {
		return binaries{}, err
	}
	var have []string
	for _, b := range found {
		if b.major == major {
			return b, nil
		}
		have = append(have, fmt.Sprintf("%d (%s)", b.major, b.dir))
	}
	return binaries{}, fmt.Errorf("%w: %s was made by PostgreSQL %d, found here: %s; install postgresql-%d, "+
		"or carry the data over with pg_dump or pg_upgrade; nothing was changed",
		ErrVersion, pgdata, major, strings.Join(have, ", "), major)
}

func clusterMajor(pgdata string) (int, error) {
	text, err := os.ReadFile(filepath.Join(pgdata, "PG_VERSION"))
	if err != nil {
		return 0, fmt.Errorf("private Postgres: reading the cluster's version: %w", err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("private Postgres: PG_VERSION of %s says %q: %w", pgdata, text, ErrVersion)
	}
	return major, nil
}
