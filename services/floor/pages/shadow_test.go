package pages

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// TestNoPageHidesItsBase: a field of a page that is called like one of Base
// takes its place in the layout, which then fails or says something else.
func TestNoPageHidesItsBase(t *testing.T) {
	base := reflect.TypeFor[*Base]()
	layout, err := os.ReadFile("templates/layout.html")
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, m := range regexp.MustCompile(`[ (]\$?\.(\w+)`).FindAllStringSubmatch(string(layout), -1) {
		used[m[1]] = true
	}
	of := func(name string) bool {
		if !used[name] {
			return false
		}
		_, field := base.Elem().FieldByName(name)
		_, method := base.MethodByName(name)
		return field || method
	}
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	fset, pages := token.NewFileSet(), 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(fset, name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			spec, ok := n.(*ast.TypeSpec)
			if !ok {
				return true
			}
			s, ok := spec.Type.(*ast.StructType)
			if !ok || !embeds(s, "Base") {
				return true
			}
			pages++
			for _, f := range s.Fields.List {
				for _, name := range f.Names {
					if of(name.Name) {
						t.Errorf("%s: %s.%s hides that of Base in the layout", fset.Position(name.Pos()), spec.Name, name)
					}
				}
			}
			return true
		})
	}
	if pages < 20 {
		t.Fatalf("only %d pages found: the test looks at the wrong place", pages)
	}
}

func embeds(s *ast.StructType, name string) bool {
	for _, f := range s.Fields.List {
		if star, ok := f.Type.(*ast.StarExpr); ok && len(f.Names) == 0 {
			if id, ok := star.X.(*ast.Ident); ok && id.Name == name {
				return true
			}
		}
	}
	return false
}
