package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// composeFile is the part of docker-compose.yml that these tests look at.
type composeFile struct {
	Services map[string]struct {
		Image       string
		Build       struct{ Context, Dockerfile string }
		Environment map[string]string
		Ports       []string
		Volumes     []string
		CapDrop     []string `yaml:"cap_drop"`
		ReadOnly    bool     `yaml:"read_only"`
	}
	Volumes map[string]any
}

func compose(t *testing.T) composeFile {
	t.Helper()
	text, err := os.ReadFile("../docker-compose.yml")
	if err != nil {
		t.Fatal(err)
	}
	var f composeFile
	if err := yaml.Unmarshal(text, &f); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestComposeNamesFilesAndVolumesThatExist(t *testing.T) {
	t.Parallel()
	f := compose(t)
	for _, name := range []string{"postgres", "mosquitto", "underkeep"} {
		if _, ok := f.Services[name]; !ok {
			t.Errorf("no service %s", name)
		}
	}
	for name, s := range f.Services {
		for _, v := range s.Volumes {
			source, _, _ := strings.Cut(v, ":")
			if !strings.HasPrefix(source, ".") {
				if _, ok := f.Volumes[source]; !ok {
					t.Errorf("%s: volume %s is not declared", name, source)
				}
				continue
			}
			if filepath.Base(source) == "passwords" {
				continue // made by the operator
			}
			if _, err := os.Stat(filepath.Join("..", source)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		if s.Image == "" {
			if _, err := os.Stat(filepath.Join("..", s.Build.Context, s.Build.Dockerfile)); err != nil {
				t.Errorf("%s: neither image nor container file: %v", name, err)
			}
		}
	}
}

// portPattern is a published port whose default is the loopback interface.
var portPattern = regexp.MustCompile(`^\$\{\w+:-127\.0\.0\.1:\d+\}:\d+$`)

func TestComposeIsClosedByDefault(t *testing.T) {
	t.Parallel()
	f := compose(t)
	for name, s := range f.Services {
		for _, p := range s.Ports {
			if !portPattern.MatchString(p) {
				t.Errorf("%s publishes %s to the network by default", name, p)
			}
		}
		for key, value := range s.Environment {
			secret := strings.Contains(key, "PASSWORD") || strings.Contains(value, "://")
			if secret && !regexp.MustCompile(`\$\{\w+:\?`).MatchString(value) {
				t.Errorf("%s: %s must come from .env and be required", name, key)
			}
		}
	}
	if len(f.Services["postgres"].Ports) > 0 {
		t.Error("the database is published")
	}
	if s := f.Services["underkeep"]; !s.ReadOnly || len(s.CapDrop) != 1 || s.CapDrop[0] != "ALL" {
		t.Error("the service's container has more rights than it needs")
	}
}

// TestEnvExampleHasWhatComposeRequires: every ${NAME:?...} stands in env.example.
func TestEnvExampleHasWhatComposeRequires(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../docker-compose.yml")
	if err != nil {
		t.Fatal(err)
	}
	example, err := os.ReadFile("env.example")
	if err != nil {
		t.Fatal(err)
	}
	required := regexp.MustCompile(`\$\{(\w+):\?`).FindAllSubmatch(text, -1)
	if len(required) == 0 {
		t.Error("nothing is required: does this test still see it?")
	}
	for _, m := range required {
		if !strings.Contains(string(example), "\n"+string(m[1])+"=") {
			t.Errorf("env.example lacks %s", m[1])
		}
	}
}

// TestComposeByItsOwnTool has the file read by the tool it is written for.
func TestComposeByItsOwnTool(t *testing.T) {
	t.Parallel()
	if err := exec.Command("docker", "compose", "version").Run(); err != nil {
		t.Skip("no docker compose on this machine")
	}
	cmd := exec.Command("docker", "compose", "-f", "../docker-compose.yml", "config", "--quiet")
	cmd.Env = append(os.Environ(), "UNDERKEEP_DB_PASSWORD=x", "UNDERKEEP_MQTT_PASSWORD=y")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("docker compose config: %v\n%s", err, out)
	}
}
