package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// These tests hold the shape of the whole module, as DEVELOPERS.md describes it.

const (
	module = "underkeep/"
	root   = "../.."
)

// listed is what "go list" says of a package.
type listed struct {
	ImportPath string
	Dir        string
	GoFiles    []string
	Imports    []string
	Deps       []string
}

// within tells whether a package is one of the folders or below one.
func within(pkg string, folders ...string) bool {
	return slices.ContainsFunc(folders, func(f string) bool {
		return pkg == module+f || strings.HasPrefix(pkg, module+f+"/")
	})
}

// pure packages decide; they read no clock, database or network.
func pure(pkg string) bool {
	if within(pkg, "alerting/notify") {
		return within(pkg, "alerting/notify/route", "alerting/notify/words", "alerting/notify/png")
	}
	return within(pkg, "alerting", "store/site", "store/visit", "store/evidence") || pkg == module+"api/warranty"
}

func packages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Dir,GoFiles,Imports,Deps", "./...")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	if len(all) < 5 {
		t.Fatalf("go list found %d packages", len(all))
	}
	return all
}

func TestPurePackagesTouchNothingOutside(t *testing.T) {
	t.Parallel()
	const anyDepth = true
	forbidden := map[string]bool{ // prefix of an import path: forbidden at any depth, or only directly
		"github.com/jackc/":       anyDepth,
		"github.com/riverqueue/":  anyDepth,
		"github.com/pressly/":     anyDepth,
		"github.com/eclipse/":     anyDepth,
		"github.com/mochi-mqtt/":  anyDepth,
		"github.com/go-chi/":      anyDepth,
		"github.com/prometheus/":  anyDepth,
		"database/sql":            anyDepth,
		"net/http":                anyDepth,
		"os/exec":                 anyDepth,
		"net":                     !anyDepth,
		"os":                      !anyDepth,
		"log":                     !anyDepth,
		"underkeep/ingest/broker": anyDepth,
		"underkeep/store/localpg": anyDepth,
	}
	found := 0
	for _, p := range packages(t) {
		if !pure(p.ImportPath) {
			continue
		}
		found++
		for path, deep := range forbidden {
			imports := p.Imports
			if deep {
				imports = p.Deps
			}
			for _, i := range imports {
				if i == path || strings.HasSuffix(path, "/") && strings.HasPrefix(i, path) {
					t.Errorf("%s is pure but depends on %s", p.ImportPath, i)
				}
			}
		}
		if slices.Contains(p.Deps, "underkeep/store") {
			t.Errorf("%s is pure but depends on the store", p.ImportPath)
		}
	}
	if found < 3 {
		t.Fatalf("only %d pure packages found", found)
	}
}

// clockReaders are the functions of package time that look at the clock or wait.
var clockReaders = []string{"Now", "Since", "Until", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick", "Sleep"}

func TestPurePackagesReadNoClock(t *testing.T) {
	t.Parallel()
	for _, p := range packages(t) {
		if !pure(p.ImportPath) {
			continue
		}
		for _, name := range p.GoFiles {
			eachNode(t, filepath.Join(p.Dir, name), func(n ast.Node, at token.Position) {
				call, ok := n.(*ast.SelectorExpr)
				if !ok {
					return
				}
				if pkg, ok := call.X.(*ast.Ident); ok && pkg.Name == "time" && slices.Contains(clockReaders, call.Sel.Name) {
					t.Errorf("%s: time.%s in a pure package", at, call.Sel.Name)
				}
			})
		}
	}
}

// statement is the beginning of an SQL statement in a string.
var statement = regexp.MustCompile(`^\s*(SELECT|INSERT INTO|UPDATE|DELETE FROM|CREATE|ALTER|DROP|COPY|TRUNCATE|WITH|LISTEN|NOTIFY)\s+[\w"(*$%]`)

// What is pure is also single-threaded: deploy/test.sh leaves the longest of
// these packages out of the race detector.
func TestPurePackagesStartNoGoroutine(t *testing.T) {
	t.Parallel()
	for _, p := range packages(t) {
		if !pure(p.ImportPath) {
			continue
		}
		for _, name := range p.GoFiles {
			eachNode(t, filepath.Join(p.Dir, name), func(n ast.Node, at token.Position) {
				if _, ok := n.(*ast.GoStmt); ok {
					t.Errorf("%s: a goroutine in a pure package", at)
				}
			})
		}
	}
}

func TestOnlyTheStoreSpeaksSQL(t *testing.T) {
	t.Parallel()
	inStore := 0
	for _, p := range packages(t) {
		for _, name := range p.GoFiles {
			eachNode(t, filepath.Join(p.Dir, name), func(n ast.Node, at token.Position) {
				lit, ok := n.(*ast.BasicLit)
				if !ok || lit.Kind != token.STRING {
					return
				}
				text, err := strconv.Unquote(lit.Value)
				switch {
				case err != nil || !statement.MatchString(text):
				case within(p.ImportPath, "store", "migrations"):
					inStore++
				default:
					t.Errorf("%s: SQL outside the store: %.60q", at, text)
				}
			})
		}
	}
	if inStore < 10 {
		t.Errorf("only %d statements found in the store: does this test still see them?", inStore)
	}
}

func eachNode(t *testing.T, path string, visit func(ast.Node, token.Position)) {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, path, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if n != nil {
			visit(n, fset.Position(n.Pos()))
		}
		return true
	})
}

// TestImportsPointInward: cmd → api → ingest, store → alerting, store/site → air,
// water. The first rule that names a package counts.
func TestImportsPointInward(t *testing.T) {
	t.Parallel()
	rules := []struct {
		of  string
		may []string
	}{
		{"cmd", []string{"api", "ingest", "store", "alerting", "migrations"}},
		{"api", []string{"api", "ingest", "store", "alerting"}},
		{"ingest/senml", nil},
		{"ingest/guarded", nil},
		{"ingest", []string{"ingest", "store", "alerting"}},
		{"alerting/notify", []string{"alerting", "store", "ingest/guarded"}},
		{"alerting/air", []string{"alerting/air", "store/site/units"}},
		{"alerting/water", []string{"alerting/water", "store/site/units"}},
		{"alerting", []string{"alerting", "store/site", "ingest/senml"}},
		{"store/site", []string{"store/site", "alerting/air", "alerting/water"}},
		{"store/localpg", []string{"store/localpg"}},
		{"store", []string{"store", "alerting", "migrations"}},
		{"migrations", nil},
	}
	for _, p := range packages(t) {
		i := slices.IndexFunc(rules, func(r struct {
			of  string
			may []string
		}) bool {
			return within(p.ImportPath, r.of)
		})
		if i < 0 {
			if within(p.ImportPath, "deploy", "testdata") {
				continue
			}
			t.Errorf("%s belongs to no layer", p.ImportPath)
			continue
		}
		for _, imported := range p.Imports {
			if strings.HasPrefix(imported, module) && !within(imported, rules[i].may...) {
				t.Errorf("%s imports %s: outward", p.ImportPath, imported)
			}
		}
	}
}

func TestTopLevel(t *testing.T) {
	t.Parallel()
	want := []string{"DEVELOPERS.md", "LICENSE", "README.md", "alerting", "api", "cmd", "deploy", "docker-compose.yml",
		"go.mod", "go.sum", "ingest", "migrations", "store", "testdata"}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		name := e.Name()
		byproduct := name == "underkeep" || strings.HasPrefix(name, "underkeep-data") ||
			strings.HasSuffix(name, ".test") || strings.HasSuffix(name, ".out")
		if !strings.HasPrefix(name, ".") && !byproduct { // as .gitignore says
			got = append(got, name)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("top level is\n%v, want\n%v", got, want)
	}
}

// machinePaths are folders of one developer's machine.
var machinePaths = regexp.MustCompile(`(^|[^\w.])/(wo` + `rk|home/\w+|Users/\w+|root/go)/`)

func TestNoPathsOfOneMachine(t *testing.T) {
	t.Parallel()
	text := []string{".go", ".md", ".sh", ".yml", ".yaml", ".sql", ".conf", ".service", ".html", ".css", ".js", ".mod", ""}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() {
			if name == ".git" || strings.HasPrefix(name, "underkeep-data") {
				return filepath.SkipDir
			}
			return nil
		}
		if !slices.Contains(text, filepath.Ext(name)) || name == "underkeep" {
			return nil
		}
		content, err := os.ReadFile(path)
		for i, line := range bytes.Split(content, []byte("\n")) {
			if machinePaths.Match(line) {
				t.Errorf("%s:%d names a path of one machine: %s", path, i+1, line)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestChecksSeeWhatTheyForbid keeps the patterns above from going blind.
func TestChecksSeeWhatTheyForbid(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"SELECT 1": true, "\n\tINSERT INTO reading (at)": true, "UPDATE alarm SET": true, "WITH new AS (": true,
		"CREATE TABLE x": true, "SELECTED": false, "select a property": false, "UPDATE": false, "WITH": false,
	} {
		if statement.MatchString(text) != want {
			t.Errorf("%q counts as SQL: %t, want %t", text, !want, want)
		}
	}
	for text, want := range map[string]bool{
		"see /wo" + "rk/x": true, "/home/" + "ann/src": true, "https://example.org/wo" + "rk/": false, "net" + "wo" + "rk/": false,
	} {
		if machinePaths.MatchString(text) != want {
			t.Errorf("%q counts as a machine's path: %t, want %t", text, !want, want)
		}
	}
	if within("underkeep/storefront", "store") {
		t.Error("a package is taken for one below a folder of a like name")
	}
}
