package locale

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"slices"
	"strconv"
	"strings"
	"text/template/parse"
	"time"
)

// Message is a text in use.
type Message struct {
	Context, Text, Plural string
	Where                 string // file:line, or the template
}

func (m Message) key() string { return m.Context + "\x04" + m.Text }

// Messages collects what the program says: the calls of T, C and N, of
// refuse, interlock and fault in Go files, and t, tc and n in templates.
// Each file system holds a tree of the project.
func Messages(trees ...fs.FS) ([]Message, error) {
	found := map[string]Message{}
	add := func(m Message) {
		// The one with a plural serves those without too.
		if was, ok := found[m.key()]; (!ok || was.Plural == "") && m.Text != "" {
			found[m.key()] = m
		}
	}
	for _, tree := range trees {
		err := fs.WalkDir(tree, ".", func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			switch {
			case strings.HasSuffix(name, "_test.go"):
				return nil
			case strings.HasSuffix(name, ".go"):
				return inGo(tree, name, add)
			case strings.HasSuffix(name, ".html"):
				return inTemplate(tree, name, add)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	for _, m := range calendarMessages() {
		add(m)
	}
	out := slices.Collect(maps.Values(found))
	slices.SortFunc(out, func(a, b Message) int {
		return cmp.Or(cmp.Compare(a.Text, b.Text), cmp.Compare(a.Context, b.Context))
	})
	return out, nil
}

// calendarMessages are the names of days and months and the layouts.
func calendarMessages() []Message {
	const where = "the calendar"
	var out []Message
	for d := time.Sunday; d <= time.Saturday; d++ {
		out = append(out, Message{Context: "day", Text: d.String(), Where: where}, Message{Context: "short day", Text: d.String()[:3], Where: where})
	}
	for m := time.January; m <= time.December; m++ {
		out = append(out, Message{Context: "month", Text: m.String(), Where: where}, Message{Context: "short month", Text: m.String()[:3], Where: where})
	}
	for _, l := range layouts {
		out = append(out, Message{Context: "date", Text: l, Where: where})
	}
	return out
}

// calls are the functions whose texts are messages: which arguments hold
// context, text and plural; −1: none. The second row are those that make a
// refusal or a problem: what is wrong, and under also what to do.
var calls = map[string][3]int{
	"T": {-1, 0, -1}, "Mark": {-1, 0, -1}, "mark": {-1, 0, -1}, "C": {0, 1, -1}, "N": {-1, 0, 1},
	"refuse": {-1, 2, -1}, "interlock": {-1, 2, -1}, "New": {-1, 2, -1}, "Malformed": {-1, 2, -1}, "Unknown": {-1, 0, -1}, "Lines": {-1, 2, -1}, "TooLarge": {-1, 1, -1}, "badLines": {-1, 1, -1}, "plain": {-1, 3, -1}, "plainIn": {-1, 3, -1}, "wrong": {-1, 1, -1}, "bad": {-1, 2, -1}, "badRow": {-1, 3, -1},
	"get": {-1, 3, -1}, "operation": {-1, 3, -1}, "file": {-1, 3, -1}, "onShop": {-1, 3, -1}, "onUnit": {-1, 3, -1}, "onStep": {-1, 3, -1}, "onResource": {-1, 3, -1}, "onTechnician": {-1, 3, -1}, "onCampaign": {-1, 3, -1}, "onCatalogue": {-1, 3, -1},
	"Say": {-1, 0, -1}, "phrase": {-1, 0, -1}, "always": {-1, 0, -1}, "Refuse": {-1, 2, -1}, "doing": {-1, 0, -1}, "remark": {-1, 0, -1}, "foremanOnly": {-1, 0, -1}, "checkText": {-1, 0, -1},
}

// also are further messages in the arguments of such a call.
var also = map[string]int{"refuse": 1, "Refuse": 1, "interlock": 1, "New": 3, "Malformed": 3, "Unknown": 1, "wrong": 2, "bad": 1, "badRow": 2, "TooLarge": 0, "plain": 4, "plainIn": 4}

func inGo(tree fs.FS, name string, add func(Message)) error {
	src, err := fs.ReadFile(tree, name)
	if err != nil {
		return err
	}
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, src, parser.SkipObjectResolution)
	if err != nil {
		return err
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if l, ok := n.(*ast.CompositeLit); ok {
			for _, name := range enumeration(l) {
				add(Message{Text: name, Where: set.Position(l.Pos()).String()})
			}
			return true
		}
		if f, ok := n.(*ast.FuncDecl); ok && wordy[f.Name.Name] {
			returned(f, func(text string) { add(Message{Text: text, Where: set.Position(f.Pos()).String()}) })
		}
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		var fn string
		switch f := call.Fun.(type) {
		case *ast.SelectorExpr:
			fn = f.Sel.Name
		case *ast.Ident:
			fn = f.Name
		}
		at, ok := calls[fn]
		if !ok {
			return true
		}
		arg := func(i int) string {
			if i < 0 || i >= len(call.Args) {
				return ""
			}
			return literal(call.Args[i])
		}
		where := set.Position(call.Pos()).String()
		add(Message{Context: arg(at[0]), Text: arg(at[1]), Plural: arg(at[2]), Where: where})
		if i, ok := also[fn]; ok {
			add(Message{Text: arg(i), Where: where})
		}
		return true
	})
	return nil
}

// wordy are the functions whose results are messages.
var wordy = map[string]bool{"Text": true, "shapeOf": true}

func returned(f *ast.FuncDecl, add func(string)) {
	ast.Inspect(f, func(n ast.Node) bool {
		if r, ok := n.(*ast.ReturnStmt); ok && len(r.Results) == 1 {
			add(literal(r.Results[0]))
		}
		return true
	})
}

// enumeration are the words of one of the queue's enumerations.
func enumeration(l *ast.CompositeLit) []string {
	of, ok := l.Type.(*ast.IndexExpr)
	if !ok || len(l.Elts) != 2 {
		return nil
	}
	if name, ok := of.X.(*ast.Ident); !ok || name.Name != "names" {
		return nil
	}
	list, ok := l.Elts[1].(*ast.CompositeLit)
	if !ok {
		return nil
	}
	var out []string
	for _, e := range list.Elts {
		out = append(out, literal(e))
	}
	return out
}

// literal is a text made of literals; "" is any other expression.
func literal(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			s, err := strconv.Unquote(e.Value)
			if err == nil {
				return s
			}
		}
	case *ast.BinaryExpr:
		if l, r := literal(e.X), literal(e.Y); e.Op == token.ADD && l != "" && r != "" {
			return l + r
		}
	case *ast.ParenExpr:
		return literal(e.X)
	}
	return ""
}

func inTemplate(tree fs.FS, name string, add func(Message)) error {
	src, err := fs.ReadFile(tree, name)
	if err != nil {
		return err
	}
	t := parse.New(name)
	t.Mode = parse.SkipFuncCheck
	trees := map[string]*parse.Tree{}
	if _, err := t.Parse(string(src), "", "", trees); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	for part, tree := range trees {
		if tree.Root != nil {
			walk(tree.Root, func(c *parse.CommandNode) { command(c, name+" "+part, add) })
		}
	}
	return nil
}

var templateCalls = map[string][3]int{"t": {-1, 1, -1}, "tc": {1, 2, -1}, "n": {-1, 1, 2}}

func command(c *parse.CommandNode, where string, add func(Message)) {
	id, ok := c.Args[0].(*parse.IdentifierNode)
	if !ok {
		return
	}
	at, ok := templateCalls[id.Ident]
	if !ok {
		return
	}
	arg := func(i int) string {
		if i < 0 || i >= len(c.Args) {
			return ""
		}
		if s, ok := c.Args[i].(*parse.StringNode); ok {
			return s.Text
		}
		return ""
	}
	add(Message{Context: arg(at[0]), Text: arg(at[1]), Plural: arg(at[2]), Where: where})
}

// walk visits every command below a node.
func walk(n parse.Node, visit func(*parse.CommandNode)) {
	switch n := n.(type) {
	case *parse.ListNode:
		if n != nil {
			for _, c := range n.Nodes {
				walk(c, visit)
			}
		}
	case *parse.ActionNode:
		walk(n.Pipe, visit)
	case *parse.TemplateNode:
		walk(n.Pipe, visit)
	case *parse.IfNode:
		branch(&n.BranchNode, visit)
	case *parse.RangeNode:
		branch(&n.BranchNode, visit)
	case *parse.WithNode:
		branch(&n.BranchNode, visit)
	case *parse.PipeNode:
		if n == nil {
			return
		}
		for _, c := range n.Cmds {
			visit(c)
			for _, a := range c.Args {
				walk(a, visit)
			}
		}
	}
}

func branch(b *parse.BranchNode, visit func(*parse.CommandNode)) {
	walk(b.Pipe, visit)
	walk(b.List, visit)
	walk(b.ElseList, visit)
}
