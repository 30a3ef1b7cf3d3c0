package localpg

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is the user who runs the server and owns the cluster.
type account struct {
	name     string
	uid, gid int
	drop     bool // the service is root and steps down to it
}

// accountFor decides who runs the server over a cluster folder that may not exist
// yet; see the package comment.
func accountFor(pgdata string) (account, error) {
	owner, exists, err := ownerOf(pgdata)
	if err != nil {
		return account{}, err
	}
	euid := os.Geteuid()
	switch {
	case euid != 0 && exists && owner != euid:
		return account{}, fmt.Errorf("private Postgres: %s belongs to %s, but the service runs as %s; "+
			"run it as root or as the owner, or hand the whole data folder over with chown -R",
			pgdata, userName(owner), userName(euid))
	case euid != 0:
		return account{name: userName(euid), uid: euid, gid: os.Getegid()}, nil
	case exists && owner == 0:
		return account{}, fmt.Errorf("private Postgres: %s belongs to root, and Postgres refuses to run as root; "+
			"give it to the user who shall run it: chown -R postgres: %s", pgdata, pgdata)
	case exists:
		return lookupAccount(user.LookupId(strconv.Itoa(owner)))
	}
	return unprivileged()
}

func ownerOf(path string) (uid int, exists bool, err error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, fmt.Errorf("private Postgres: looking at its cluster: %w", err)
	}
	return int(info.Sys().(*syscall.Stat_t).Uid), true, nil
}

// unprivileged is whom a root service steps down to. Initdb wants a user with a
// name, so a bare number will not do.
func unprivileged() (account, error) {
	for _, name := range []string{"postgres", "nobody"} {
		if a, err := unprivilegedNamed(name); err == nil {
			return a, nil
		}
	}
	return account{}, errors.New("private Postgres: Postgres refuses to run as root, and there is neither a user " +
		"\"postgres\" nor \"nobody\" to run it as; run the service as an ordinary user")
}

func unprivilegedNamed(name string) (account, error) { return lookupAccount(user.Lookup(name)) }

func lookupAccount(u *user.User, err error) (account, error) {
	if err != nil {
		return account{}, fmt.Errorf("private Postgres: looking up the user who runs it: %w", err)
	}
	uid, errUID := strconv.Atoi(u.Uid)
	gid, errGID := strconv.Atoi(u.Gid)
	if err := errors.Join(errUID, errGID); err != nil {
		return account{}, fmt.Errorf("private Postgres: user %s: %w", u.Username, err)
	}
	return account{name: u.Username, uid: uid, gid: gid, drop: true}, nil
}

func userName(uid int) string {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return u.Username
	}
	return fmt.Sprintf("user %d", uid)
}

// own gives a file or folder to the account.
func (a account) own(path string) error {
	if !a.drop {
		return nil
	}
	if err := os.Lchown(path, a.uid, a.gid); err != nil {
		return fmt.Errorf("private Postgres: giving %s to user %s: %w", path, a.name, err)
	}
	return nil
}

// mayEnter tells whether the account can reach path by name: every folder on the
// way lets it through. Access lists are not read; a wrong "no" does no harm.
func (a account) mayEnter(path string) bool {
	if !a.drop {
		return true
	}
	for dir := path; ; dir = filepath.Dir(dir) {
		info, err := os.Stat(dir)
		if err != nil || !a.passes(info) {
			return false
		}
		if dir == filepath.Dir(dir) {
			return true
		}
	}
}

func (a account) passes(info fs.FileInfo) bool {
	st := info.Sys().(*syscall.Stat_t)
	switch {
	case int(st.Uid) == a.uid:
		return info.Mode()&0o100 != 0
	case int(st.Gid) == a.gid:
		return info.Mode()&0o010 != 0
	}
	return info.Mode()&0o001 != 0
}

// runIn makes cmd run as the account on a folder and returns the name under which
// the program finds the folder. A folder that the account cannot reach by name is
// handed over as an open file: the link in /proc leads to it without the way.
func (a account) runIn(cmd *exec.Cmd, folder string) (name string, opened *os.File, err error) {
	cmd.Dir = "/"
	cmd.Env = cleanEnvironment()
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	if a.drop {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	if a.mayEnter(folder) {
		return folder, nil, nil
	}
	if opened, err = os.Open(folder); err != nil {
		return "", nil, fmt.Errorf("private Postgres: opening its folder: %w", err)
	}
	cmd.ExtraFiles = append(cmd.ExtraFiles, opened)
	return fmt.Sprintf("/proc/self/fd/%d", 2+len(cmd.ExtraFiles)), opened, nil
}

// cleanEnvironment keeps PG… variables, locale and time zone of whoever starts the
// service away from the cluster.
func cleanEnvironment() []string {
	env := []string{"LC_ALL=C.UTF-8", "TZ=UTC", "HOME=/"}
	for _, name := range []string{"PATH", "LD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}
