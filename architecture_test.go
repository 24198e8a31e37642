// Package tickover_test keeps the project's own rules: which way imports
// point, and what the pure packages may not touch.
package tickover_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

const module = "tickover"

// pure packages read no clock, no disk, no socket and no chance of their own.
// The IO of the log and of shared read models is their very purpose.
func pure(pkg string) bool {
	switch {
	case pkg == "queue/log", strings.HasPrefix(pkg, "queue/log/"), pkg == "queue/view", strings.HasPrefix(pkg, "queue/view/"):
		return false
	case strings.HasSuffix(pkg, "test"): // helpers of tests
		return false
	}
	return under(pkg, "queue") || under(pkg, "scheduler")
}

// forbidden imports of pure packages, and the calls that reach a clock or
// unseeded chance through packages that they may import.
var (
	impureImports = []string{"os", "net", "syscall", "io/ioutil", "log", "log/slog", "math/rand", "crypto/rand",
		"go.uber.org/zap", "github.com/prometheus", "github.com/nats-io", "github.com/redis"}
	impureCalls = map[string][]string{
		"time":         {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"},
		"math/rand/v2": {"Int", "IntN", "Int32", "Int32N", "Int64", "Int64N", "Uint32", "Uint64", "Uint64N", "UintN", "Uint", "Uint32N", "Float64", "Float32", "Perm", "Shuffle", "N", "NormFloat64", "ExpFloat64"},
	}
)

// arrows says which packages of the project a package may not import.
func arrowBroken(from, to string) string {
	lower := []string{"queue", "scheduler", "metrics"}
	for _, a := range lower {
		if !under(from, a) {
			continue
		}
		for _, b := range append(lower, "services", "cmd") {
			if b != a && under(to, b) {
				return a + " must not know " + b
			}
		}
	}
	switch {
	case under(to, "cmd"):
		return "nothing imports cmd"
	case from == "scheduler/check" && to != "scheduler/model":
		return "the checker shares nothing with the planner but the model"
	case from == "scheduler/model":
		return "the model stands alone"
	case strings.HasSuffix(to, "test") && !strings.HasSuffix(from, "test") && from != "services/simshop" && from != "services/faultsim" && from != "cmd/tickover":
		return "test helpers are for tests and the simulator"
	}
	return ""
}

func under(pkg, dir string) bool { return pkg == dir || strings.HasPrefix(pkg, dir+"/") }

type source struct {
	pkg, path string
	test      bool
	file      *ast.File
}

func sources(t *testing.T) (*token.FileSet, []source) {
	t.Helper()
	fset := token.NewFileSet()
	var out []source
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != "." && strings.HasPrefix(d.Name(), ".") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") {
			return nil
		}
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		out = append(out, source{filepath.ToSlash(filepath.Dir(path)), path, strings.HasSuffix(path, "_test.go"), f})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 50 {
		t.Fatalf("only %d source files found: the test looks at the wrong place", len(out))
	}
	return fset, out
}

func TestImportsPointOneWay(t *testing.T) {
	_, files := sources(t)
	for _, s := range files {
		if s.test {
			continue
		}
		for _, im := range s.file.Imports {
			path, _ := strconv.Unquote(im.Path.Value)
			if to, ok := strings.CutPrefix(path, module+"/"); ok {
				if why := arrowBroken(s.pkg, to); why != "" {
					t.Errorf("%s imports %s: %s", s.path, to, why)
				}
			}
			if !pure(s.pkg) {
				continue
			}
			for _, bad := range impureImports {
				// math/rand/v2 may be used with a seeded source of one's own.
				if under(path, bad) && path != "math/rand/v2" {
					t.Errorf("%s imports %s: package %s is pure", s.path, path, s.pkg)
				}
			}
		}
	}
}

func TestPurePackagesReadNoClockAndNoChance(t *testing.T) {
	fset, files := sources(t)
	for _, s := range files {
		if s.test || !pure(s.pkg) {
			continue
		}
		names := map[string]string{} // local name → import path
		for _, im := range s.file.Imports {
			path, _ := strconv.Unquote(im.Path.Value)
			local := path[strings.LastIndex(path, "/")+1:]
			if path == "math/rand/v2" {
				local = "rand"
			}
			if im.Name != nil {
				local = im.Name.Name
			}
			names[local] = path
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			x, ok := sel.X.(*ast.Ident)
			if !ok {
				return true
			}
			for _, bad := range impureCalls[names[x.Name]] {
				if sel.Sel.Name == bad {
					t.Errorf("%s: %s.%s: package %s is pure, what it needs of the world is handed in", fset.Position(sel.Pos()), x.Name, bad, s.pkg)
				}
			}
			return true
		})
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	_, files := sources(t)
	docs := map[string]int{}
	for _, s := range files {
		if _, ok := docs[s.pkg]; !ok && !s.test {
			docs[s.pkg] = 0
		}
		if !s.test && s.file.Doc != nil {
			docs[s.pkg]++
		}
	}
	for pkg, n := range docs {
		if n != 1 {
			t.Errorf("package %s has %d package comments, want one", pkg, n)
		}
	}
}
