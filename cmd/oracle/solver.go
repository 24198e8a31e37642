package main

import (
	"bufio"
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"tickover/scheduler/oracle"
)

//go:embed minizinc.cjs
var runner string

// solver runs MiniZinc's npm package, one Node process an instance.
type solver struct {
	folder, work, name string
	limit              time.Duration
	version            string // set by prepare
}

// tags are MiniZinc's names of the solvers; each proves with one thread.
var tags = map[string][]string{
	"chuffed": {"--solver", "org.minizinc.chuffed", "-f"},
	"coin-bc": {"--solver", "org.minizinc.mip.coin-bc"},
	"gecode":  {"--solver", "org.minizinc.gecode_presolver"},
}

func (s *solver) path(name string) string { return filepath.Join(s.work, name) }

// prepare writes the model and finds out the versions.
func (s *solver) prepare() error {
	if tags[s.name] == nil {
		return fmt.Errorf("--solver: %q is none of chuffed, coin-bc, gecode", s.name)
	}
	text, err := os.ReadFile(filepath.Join(s.folder, "node_modules", "minizinc", "package.json"))
	if err != nil {
		return fmt.Errorf("--minizinc: %w; run npm install minizinc@4.5.1 there", err)
	}
	var pkg struct{ Version string }
	if err := json.Unmarshal(text, &pkg); err != nil {
		return fmt.Errorf("--minizinc: package.json: %w", err)
	}
	s.version = s.name + " in npm minizinc " + pkg.Version
	if err := os.WriteFile(s.path("minizinc.cjs"), []byte(runner), 0o600); err != nil {
		return err
	}
	return os.WriteFile(s.path("shop.mzn"), []byte(oracle.Model), 0o600)
}

// solve returns the answer that the solver proves to be the best.
func (s *solver) solve(ctx context.Context, data string) (string, error) {
	if err := os.WriteFile(s.path("instance.dzn"), []byte(data), 0o600); err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(ctx, s.limit)
	defer cancel()
	folder, err := filepath.Abs(s.folder)
	if err != nil {
		return "", err
	}
	args := append([]string{s.path("minizinc.cjs"), folder}, tags[s.name]...)
	cmd := exec.CommandContext(ctx, "node", append(args, s.path("shop.mzn"), s.path("instance.dzn"))...)
	var talk bytes.Buffer
	cmd.Stderr = &talk
	out, err := cmd.Output()
	switch {
	case ctx.Err() == context.DeadlineExceeded:
		return "", fmt.Errorf("not proved in %v", s.limit)
	case err != nil:
		return "", fmt.Errorf("node: %w: %s", err, strings.TrimSpace(talk.String()))
	}
	return proof(out)
}

// proof is the last solution of a finished search.
func proof(out []byte) (string, error) {
	var answer, status, trouble string
	lines := bufio.NewScanner(bytes.NewReader(out))
	lines.Buffer(nil, 16<<20)
	for lines.Scan() {
		var m struct {
			Type, Status, Message, What string
			Output                      struct{ Default string }
		}
		if json.Unmarshal(lines.Bytes(), &m) != nil {
			continue // the solver's own talk
		}
		switch m.Type {
		case "solution":
			answer = strings.TrimSpace(m.Output.Default)
		case "status":
			status = m.Status
		case "error":
			trouble = m.What + ": " + m.Message
		}
	}
	if err := lines.Err(); err != nil {
		return "", err
	}
	if status != "OPTIMAL_SOLUTION" || trouble != "" {
		return "", fmt.Errorf("the solver ends with the status %q %s", status, trouble)
	}
	return strings.ReplaceAll(answer, " ", ""), nil
}
