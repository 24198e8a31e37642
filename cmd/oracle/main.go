// Command oracle proves the small shop instances of scheduler/oracle with a
// general-purpose exact solver. It is a tool of the tests, not of the shop.
//
//	oracle draw                       write the instances from their seeds
//	oracle export wait-3              print one as MiniZinc data
//	oracle verify --minizinc FOLDER   prove all again and compare
//
// FOLDER is where "npm install minizinc@4.5.1" ran.
package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"time"

	"github.com/alecthomas/kong"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/oracle"
)

type cli struct {
	Draw   drawCmd   `cmd:"" help:"Write the instances, drawn from their seeds."`
	Export exportCmd `cmd:"" help:"Print an instance as data for the MiniZinc model."`
	Verify verifyCmd `cmd:"" help:"Prove the optimum of every instance and compare with what is committed."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var c cli
	k := kong.Parse(&c, kong.Name("oracle"), kong.UsageOnError())
	k.BindTo(ctx, (*context.Context)(nil))
	k.FatalIfErrorf(k.Run())
}

type drawCmd struct {
	Dir string `default:"scheduler/oracle/testdata" help:"The folder of testdata."`
}

func (drawCmd) Help() string { return "Writes scheduler/oracle/testdata/shop/*.json." }

// Run writes one JSON file an instance.
func (c *drawCmd) Run() error {
	for _, in := range oracle.Draw() {
		text, err := json.Marshal(in.Problem)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(c.Dir, "shop", in.Name+".json"), append(text, '\n'), 0o644); err != nil {
			return err
		}
	}
	return nil
}

type exportCmd struct {
	Name string `arg:"" help:"The instance's name, like wait-3."`
}

// Run prints the data.
func (c *exportCmd) Run() error {
	for _, in := range oracle.Draw() {
		if in.Name == c.Name {
			text, err := oracle.Export(in.Problem)
			if err != nil {
				return err
			}
			_, err = fmt.Print(text)
			return err
		}
	}
	return fmt.Errorf("no instance is named %q", c.Name)
}

type verifyCmd struct {
	Minizinc string        `required:"" type:"existingdir" help:"Where npm installed minizinc."`
	Dir      string        `default:"scheduler/oracle/testdata" type:"existingdir" help:"The folder of testdata."`
	Solver   string        `default:"chuffed" help:"chuffed, coin-bc or gecode."`
	Only     string        `help:"Only instances whose names match this regular expression."`
	Limit    time.Duration `default:"5m" help:"Time for one instance."`
	Write    bool          `help:"Write what is proved to optimum.csv instead of comparing."`
}

// header of optimum.csv. The answer is the solver's, as oracle.Read takes it.
var header = []string{"instance", "activities", "optimum_thousandths", "proved_by", "answer"}

// Run proves and compares; every difference is told before it fails.
func (c *verifyCmd) Run(ctx context.Context) error {
	only, err := regexp.Compile(c.Only)
	if err != nil {
		return fmt.Errorf("--only: %w", err)
	}
	if c.Write && c.Only != "" {
		return errors.New("--write needs all instances: leave --only out")
	}
	path := filepath.Join(c.Dir, "optimum.csv")
	var known map[string]model.Cost // nil when there is nothing to compare
	if !c.Write {
		if known, err = committed(path); err != nil {
			return err
		}
	}
	work, err := os.MkdirTemp("", "oracle")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	s := solver{folder: c.Minizinc, work: work, name: c.Solver, limit: c.Limit}
	if err := s.prepare(); err != nil {
		return err
	}
	rows, wrong := proveAll(ctx, &s, only, known)
	fmt.Printf("%d proved as expected with %s, %d not\n", len(rows), c.Solver, wrong)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case wrong > 0 || len(rows) == 0:
		return errors.New("not every optimum is confirmed")
	case c.Write:
		return writeCSV(path, append([][]string{header}, rows...))
	}
	return nil
}

// proveAll prints a line an instance and returns a row of optimum.csv for each
// that is proved and, when known is not nil, costs what is known.
func proveAll(ctx context.Context, s *solver, only *regexp.Regexp, known map[string]model.Cost) (rows [][]string, wrong int) {
	for _, in := range oracle.Draw() {
		if !only.MatchString(in.Name) || ctx.Err() != nil {
			continue
		}
		v, err := prove(ctx, s, &in)
		want, found := known[in.Name]
		switch {
		case err != nil:
			wrong++
			fmt.Printf("%-12s FAILED: %v\n", in.Name, err)
		case known != nil && !found:
			wrong++
			fmt.Printf("%-12s %9d WRONG: nothing is committed\n", in.Name, v.cost)
		case known != nil && want != v.cost:
			wrong++
			fmt.Printf("%-12s %9d WRONG: committed is %d\n", in.Name, v.cost, want)
		default:
			fmt.Printf("%-12s %9d %6.1fs\n", in.Name, v.cost, v.took.Seconds())
			rows = append(rows, []string{in.Name, strconv.Itoa(len(in.Problem.Activities)), strconv.FormatInt(int64(v.cost), 10), s.version, v.answer})
		}
	}
	return rows, wrong
}

type verdict struct {
	cost   model.Cost
	answer string
	took   time.Duration
}

// prove solves one instance to the optimum and has its schedule judged.
func prove(ctx context.Context, s *solver, in *oracle.Instance) (verdict, error) {
	text, err := oracle.Export(in.Problem)
	if err != nil {
		return verdict{}, err
	}
	began := time.Now()
	answer, err := s.solve(ctx, text)
	if err != nil {
		return verdict{}, err
	}
	plan, err := oracle.Read(in.Problem, answer)
	if err != nil {
		return verdict{}, err
	}
	if bad := check.Plan(in.Problem, plan); len(bad) > 0 {
		return verdict{}, fmt.Errorf("the solver's schedule breaks the rules, so that model and checker differ: %v", bad)
	}
	return verdict{plan.Cost.Total, answer, time.Since(began)}, nil
}

func committed(path string) (map[string]model.Cost, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rows, err := csv.NewReader(io.LimitReader(f, 16<<20)).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if len(rows) == 0 || !slices.Equal(rows[0], header) {
		return nil, fmt.Errorf("%s:1: want the header %v", path, header)
	}
	out := map[string]model.Cost{}
	for i, row := range rows[1:] {
		n, err := strconv.ParseInt(row[2], 10, 64)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", path, i+2, err)
		}
		out[row[0]] = model.Cost(n)
	}
	return out, nil
}

func writeCSV(path string, rows [][]string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	if err := w.WriteAll(rows); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
