package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// rig is the real program with the real parts around it, all of which can be killed.
type rig struct {
	t        *testing.T
	dir      string
	httpAddr string
	mqttAddr string
	env      []string
	token    string

	service   *exec.Cmd
	mosquitto *exec.Cmd // nil: the broker in the service
}

var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "underkeep-crash-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "underkeep")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w: %s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if builtProgram {
		if path, err := program(); err == nil {
			os.RemoveAll(filepath.Dir(path))
		}
	}
	os.Exit(code)
}

var builtProgram bool // some test asked for the program

func newRig(t *testing.T, behindMosquitto bool) *rig {
	t.Helper()
	builtProgram = true
	if _, err := program(); err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, dir: t.TempDir(), httpAddr: freeAddr(t), mqttAddr: freeAddr(t)}
	r.env = []string{"PATH=" + os.Getenv("PATH"), "HOME=" + r.dir,
		"UNDERKEEP_DATA=" + filepath.Join(r.dir, "data"), "UNDERKEEP_HTTP=" + r.httpAddr, "UNDERKEEP_LOG_LEVEL=warn"}
	if behindMosquitto {
		r.env = append(r.env, "UNDERKEEP_MQTT_URL=mqtt://underkeep:secret@"+r.mqttAddr)
		r.configureMosquitto()
		r.startMosquitto()
	} else {
		r.env = append(r.env, "UNDERKEEP_MQTT_LISTEN="+r.mqttAddr)
	}
	t.Cleanup(func() {
		for _, cmd := range []*exec.Cmd{r.service, r.mosquitto} {
			if cmd != nil && cmd.ProcessState == nil {
				cmd.Process.Kill()
				cmd.Wait()
			}
		}
		if t.Failed() {
			for _, name := range []string{"service.log", "mosquitto.log"} {
				text, _ := os.ReadFile(filepath.Join(r.dir, name)) // may not exist
				t.Logf("%s ends:\n%s", name, text[max(0, len(text)-4000):])
			}
		}
	})
	return r
}

// freeAddr is an address that nothing listens on. It lies below the ports that
// the system gives to outgoing connections (32768 and up by default): the service
// must get it again after each kill, while other tests open connections.
func freeAddr(t *testing.T) string {
	t.Helper()
	for range 100 {
		addr := fmt.Sprintf("127.0.0.1:%d", 20000+rand.IntN(12000))
		l, err := net.Listen("tcp4", addr)
		if err != nil {
			continue
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		return addr
	}
	t.Fatal("no free port between 20000 and 32000")
	return ""
}

func (r *rig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

// spawn starts a program whose output goes to a log file.
func (r *rig) spawn(logName, path string, args ...string) *exec.Cmd {
	r.t.Helper()
	log, err := os.OpenFile(filepath.Join(r.dir, logName), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	r.must(err)
	defer log.Close()
	cmd := exec.Command(path, args...)
	cmd.Env, cmd.Stdout, cmd.Stderr = r.env, log, log
	r.must(cmd.Start())
	return cmd
}

// serve starts the service and waits until it says that it is ready.
func (r *rig) serve() {
	r.t.Helper()
	path, _ := program()
	r.service = r.spawn("service.log", path, "serve")
	r.awaitReady()
}

func (r *rig) awaitReady() {
	r.t.Helper()
	r.until("the service is ready", func() bool {
		answer, err := http.Get("http://" + r.httpAddr + "/readyz")
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
}

// killService is kill -9; the service is started again.
func (r *rig) killService() {
	r.must(r.service.Process.Kill())
	r.service.Wait() // killed, as wanted
	r.serve()
}

// killPostgres is kill -9 of the database server under the running service.
func (r *rig) killPostgres() {
	path := filepath.Join(r.dir, "data", "postgres", "cluster", "postmaster.pid")
	text, err := os.ReadFile(path)
	r.must(err)
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	r.must(err)
	r.must(syscall.Kill(pid, syscall.SIGKILL))
	r.until("another Postgres runs", func() bool {
		text, err := os.ReadFile(path)
		return err == nil && !strings.HasPrefix(string(text), first+"\n") && strings.Contains(string(text), "ready")
	})
	r.awaitReady()
}

// stopService asks it to end and wants exit code 0.
func (r *rig) stopService() {
	r.t.Helper()
	r.must(r.service.Process.Signal(syscall.SIGTERM))
	if err := r.service.Wait(); err != nil {
		r.t.Errorf("after SIGTERM: %v, want exit code 0", err)
	}
}

// command runs a command of the program beside the service.
func (r *rig) command(args ...string) string {
	r.t.Helper()
	path, _ := program()
	cmd := exec.Command(path, args...)
	var stderr bytes.Buffer
	cmd.Env, cmd.Stderr = r.env, &stderr
	out, err := cmd.Output()
	if err != nil {
		r.t.Fatalf("underkeep %s: %v: %s", strings.Join(args, " "), err, stderr.Bytes())
	}
	return string(out)
}

// register makes the cottages and their gateways known, by the commands an operator
// uses.
func (r *rig) register(l *load, end time.Time) {
	r.t.Helper()
	var files []string
	for i := range l.gateways {
		file := filepath.Join(r.dir, cottage(i)+".yaml")
		r.must(os.WriteFile(file, []byte(crashFile(i, end)), 0o600))
		files = append(files, file)
	}
	r.command(append([]string{"register"}, files...)...)
	for _, g := range l.gateways {
		out := r.command("gateway", "add", g.property, "gw")
		if _, err := fmt.Sscanf(out, "username: %s\npassword: %s", &g.username, &g.password); err != nil {
			r.t.Fatalf("gateway add printed %q", out)
		}
		if r.mosquitto != nil {
			r.addUser(g.username, g.password)
		}
	}
	lines := strings.Split(strings.TrimSpace(r.command("token", "create", "--role", "manager", "--name", "crash test")), "\n")
	r.token = lines[len(lines)-1]
}

// configureMosquitto takes the files of deploy/mosquitto with their paths replaced.
func (r *rig) configureMosquitto() {
	r.t.Helper()
	me, err := user.Current()
	r.must(err)
	conf, err := os.ReadFile("../../deploy/mosquitto/mosquitto.conf")
	r.must(err)
	_, port, _ := strings.Cut(r.mqttAddr, ":")
	text := strings.NewReplacer("listener 1883", "listener "+port+" 127.0.0.1", "log_type debug\n", "",
		"/mosquitto/config/", r.dir+"/", "/mosquitto/data/", r.dir+"/").Replace(string(conf))
	r.must(os.WriteFile(filepath.Join(r.dir, "mosquitto.conf"), []byte(text+"\nuser "+me.Username+"\n"), 0o600))
	acl, err := os.ReadFile("../../deploy/mosquitto/acl")
	r.must(err)
	r.must(os.WriteFile(filepath.Join(r.dir, "acl"), acl, 0o600))
	r.addUser("underkeep", "secret")
}

func (r *rig) addUser(name, password string) {
	r.t.Helper()
	args := []string{"../../deploy/mosquitto/add-user.sh", filepath.Join(r.dir, "passwords"), name}
	if r.mosquitto != nil {
		args = append(args, strconv.Itoa(r.mosquitto.Process.Pid))
	}
	cmd := exec.Command("bash", args...)
	cmd.Stdin = strings.NewReader(password + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		r.t.Fatalf("add-user.sh: %v: %s", err, out)
	}
}

func (r *rig) startMosquitto() {
	r.t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path = "/usr/sbin/mosquitto" // not on an ordinary user's PATH
	}
	r.mosquitto = r.spawn("mosquitto.log", path, "-c", filepath.Join(r.dir, "mosquitto.conf"))
	r.until("mosquitto listens", func() bool {
		c, err := net.Dial("tcp", r.mqttAddr)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// get reads all pages of a list of the API.
func get[T any](r *rig, path, list string, query url.Values) (all []T) {
	r.t.Helper()
	for {
		request, err := http.NewRequestWithContext(r.t.Context(), http.MethodGet, "http://"+r.httpAddr+path+"?"+query.Encode(), nil)
		r.must(err)
		request.Header.Set("Authorization", "Bearer "+r.token)
		answer, err := http.DefaultClient.Do(request)
		r.must(err)
		page := map[string]json.RawMessage{}
		err = json.NewDecoder(answer.Body).Decode(&page)
		answer.Body.Close()
		r.must(err)
		if answer.StatusCode != http.StatusOK {
			r.t.Fatalf("GET %s: %s: %s", path, answer.Status, page["detail"])
		}
		var some []T
		r.must(json.Unmarshal(page[list], &some))
		all = append(all, some...)
		var next string
		if page["next"] == nil {
			return all
		}
		r.must(json.Unmarshal(page["next"], &next))
		query.Set("cursor", next)
	}
}

func (r *rig) until(what string, holds func() bool) {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(r.t.Context(), 2*time.Minute)
	defer cancel()
	tick := time.NewTicker(25 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-ctx.Done():
			r.t.Fatalf("waited in vain until %s", what)
		case <-tick.C:
		}
	}
}
