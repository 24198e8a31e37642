package instances

import (
	"bufio"
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/scheduler"
	"tickover/scheduler/check"
	"tickover/scheduler/model"
)

// Instance is one problem of a set with what is known about it.
type Instance struct {
	Set, Name string
	Problem   *model.Problem
	// Best is the best known objective in ticks (makespan or weighted
	// tardiness), negative for unknown.
	Best int64
	// Path is the critical-path bound on the makespan in ticks, 0 for none.
	Path int64
}

// Sets lists the sets of a folder that is laid out like the published ones:
// psplib/<set>/*.sm, psplib-mm/<set>/*.mm, fjsp/<set>/*.txt, jsp/<set>/*.jss,
// wt/wt<n>.txt, oracle-calendar/*.json, each with its file of best values.
func Sets(data fs.FS) ([]string, error) {
	var out []string
	for _, family := range []string{"psplib", "psplib-mm", "fjsp", "jsp"} {
		dirs, err := fs.ReadDir(data, family)
		if err != nil {
			continue
		}
		for _, d := range dirs {
			if d.IsDir() {
				out = append(out, family+"/"+d.Name())
			}
		}
	}
	files, _ := fs.Glob(data, "wt/wt[0-9]*.txt")
	for _, f := range files {
		out = append(out, strings.TrimSuffix(f, ".txt"))
	}
	if _, err := fs.Stat(data, "oracle-calendar"); err == nil {
		out = append(out, "oracle-calendar")
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("no set found: want folders psplib, psplib-mm, fjsp, jsp, wt or oracle-calendar")
	}
	return out, nil
}

// Choose picks sets by their names out of those that there are: "psplib/j60",
// "j60" if only one family has it, or "psplib" for the whole family. Their
// order is that of names; none asked for are all.
func Choose(sets, names []string) ([]string, error) {
	if len(names) == 0 {
		return sets, nil
	}
	var out []string
	for _, name := range names {
		var whole, last []string
		for _, set := range sets {
			if set == name || strings.HasPrefix(set, name+"/") {
				whole = append(whole, set)
			}
			if path.Base(set) == name {
				last = append(last, set)
			}
		}
		found := whole
		if len(found) == 0 {
			found = last
		}
		switch {
		case len(found) == 0:
			return nil, fmt.Errorf("there is no set %q; there are %s", name, strings.Join(sets, ", "))
		case len(whole) == 0 && len(last) > 1:
			return nil, fmt.Errorf("set %q may be any of %s: say which", name, strings.Join(last, ", "))
		}
		for _, set := range found {
			if !slices.Contains(out, set) {
				out = append(out, set)
			}
		}
	}
	return out, nil
}

// Load reads one set as named by Sets. Where the file of best values is
// missing, or says nothing of an instance, Best is unknown.
func Load(data fs.FS, set string) ([]Instance, error) {
	family, name, _ := strings.Cut(set, "/")
	switch family {
	case "psplib":
		best, err := table(data, "psplib/bks.csv", "instance", "best_ub")
		if err != nil {
			return nil, err
		}
		return files(data, set, "*.sm", best, Project)
	case "psplib-mm":
		best, err := multiModeOptima(data, "psplib-mm/"+name+"opt.mm", name)
		if err != nil {
			return nil, err
		}
		return files(data, set, "*.mm", best, Project)
	case "fjsp":
		best, err := table(data, "fjsp/bks.csv", "instance", "upper")
		if err != nil {
			return nil, err
		}
		return files(data, set, "*", prefixed(best, name+"/"), FlexibleJobShop)
	case "jsp":
		best, err := table(data, "jsp/bks.csv", "instance", "upper")
		if err != nil {
			return nil, err
		}
		return files(data, set, "*", best, JobShop)
	case "wt":
		return tardinessSet(data, set, name)
	case "oracle-calendar":
		best, err := table(data, "oracle-calendar/optimum.csv", "instance", "weighted_tardiness")
		if err != nil {
			return nil, err
		}
		return files(data, set, "*.json", best, CalendarShop)
	}
	return nil, fmt.Errorf("set %q is of no known family", set)
}

func prefixed(best map[string]int64, prefix string) map[string]int64 {
	out := map[string]int64{}
	for k, v := range best {
		out[strings.TrimPrefix(k, prefix)] = v
	}
	return out
}

// files reads each file of a set that matches.
func files(data fs.FS, set, pattern string, best map[string]int64, read func(string, io.Reader) (*model.Problem, error)) ([]Instance, error) {
	names, err := fs.Glob(data, set+"/"+pattern)
	if err != nil {
		return nil, err
	}
	var out []Instance
	for _, file := range names {
		if info, err := fs.Stat(data, file); err != nil || info.IsDir() || path.Ext(file) == ".csv" {
			continue
		}
		f, err := data.Open(file)
		if err != nil {
			return nil, err
		}
		p, err := read(file, f)
		f.Close()
		if err != nil {
			return nil, err
		}
		if err := model.Validate(p); err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		base := path.Base(file)
		i := Instance{Set: set, Name: strings.TrimSuffix(base, path.Ext(base)), Problem: p, Best: -1}
		if v, ok := best[i.Name]; ok {
			i.Best = v
		}
		if p.Weights.Makespan > 0 {
			i.Path = criticalPath(p)
		}
		out = append(out, i)
	}
	slices.SortFunc(out, func(a, b Instance) int { return cmp.Compare(a.Name, b.Name) })
	return out, nil
}

// criticalPath is the longest path of least durations.
func criticalPath(p *model.Problem) int64 {
	least := map[model.ActivityID]int64{}
	after := map[model.ActivityID][]model.ActivityID{}
	waits := map[model.ActivityID]int{}
	for _, a := range p.Activities {
		least[a.ID] = int64(a.Modes[0].Stretches[0].Duration)
		for _, m := range a.Modes {
			least[a.ID] = min(least[a.ID], int64(m.Stretches[0].Duration))
		}
	}
	for _, l := range p.Lags {
		after[l.From] = append(after[l.From], l.To)
		waits[l.To]++
	}
	end, longest := map[model.ActivityID]int64{}, int64(0)
	var ready []model.ActivityID
	for _, a := range p.Activities {
		if waits[a.ID] == 0 {
			ready = append(ready, a.ID)
		}
	}
	start := map[model.ActivityID]int64{}
	for len(ready) > 0 {
		a := ready[len(ready)-1]
		ready = ready[:len(ready)-1]
		end[a] = start[a] + least[a]
		longest = max(longest, end[a])
		for _, b := range after[a] {
			start[b] = max(start[b], end[a])
			if waits[b]--; waits[b] == 0 {
				ready = append(ready, b)
			}
		}
	}
	return longest
}

// table reads two columns of a CSV file with a head; a file that does not exist
// is empty.
func table(data fs.FS, file, key, value string) (map[string]int64, error) {
	f, err := data.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("%s: it is empty", file)
	}
	k, v := slices.Index(rows[0], key), slices.Index(rows[0], value)
	if k < 0 || v < 0 {
		return nil, fmt.Errorf("%s: no columns %q and %q", file, key, value)
	}
	out := map[string]int64{}
	for _, row := range rows[1:] {
		if n, err := strconv.ParseInt(row[v], 10, 64); err == nil {
			out[row[k]] = n
		}
	}
	return out, nil
}

// multiModeOptima reads PSPLIB's lists of parameter, instance, makespan; the
// instance is named <set><parameter>_<instance>. A file that does not exist is
// empty.
func multiModeOptima(data fs.FS, file, set string) (map[string]int64, error) {
	f, err := data.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	out := map[string]int64{}
	in := bufio.NewScanner(f)
	for in.Scan() {
		row, ok := integers(strings.NewReplacer(",", " ", ".", " ").Replace(in.Text()))
		if ok && len(row) >= 3 {
			out[fmt.Sprintf("%s%d_%d", set, row[0], row[1])] = row[2]
		}
	}
	return out, in.Err()
}

func tardinessSet(data fs.FS, set, name string) ([]Instance, error) {
	jobs, err := strconv.Atoi(strings.TrimPrefix(name, "wt"))
	if err != nil {
		return nil, fmt.Errorf("set %q does not end in a number of jobs", set)
	}
	f, err := data.Open(set + ".txt")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	list, err := WeightedTardiness(set, f, jobs)
	if err != nil {
		return nil, err
	}
	var best []number
	for _, kind := range []string{"opt", "best"} {
		if g, err := data.Open(fmt.Sprintf("wt/wt%s%d.txt", kind, jobs)); err == nil {
			n, err := scan(kind, g)
			g.Close()
			if err != nil {
				return nil, err
			}
			best = n.list
			break
		}
	}
	out := make([]Instance, len(list))
	for i, p := range list {
		out[i] = Instance{Set: set, Name: fmt.Sprintf("%s_%03d", name, i+1), Problem: p, Best: -1}
		if i < len(best) {
			out[i].Best = best[i].value
		}
	}
	return out, nil
}

// Row is the figures of one set at one number of schedules.
type Row struct {
	Set       string
	Instances int
	// Schedules is the number asked for, under a time budget the mean number
	// generated.
	Schedules int
	// Feasible plans are those that the checker passes and that place all.
	Feasible int
	// Known are those with a best known value.
	Known int
	// Reached the best known value or better.
	Reached               int
	MeanRefPct, MaxRefPct float64 // deviation from the best known
	MeanPathPct           float64 // deviation from the critical-path bound
	MeanMs                float64
	Seed                  uint64
	Violations            []string
}

// Budget bounds the planning of one instance.
type Budget struct {
	Schedules int
	// Limit, when set, gives the context of each instance, which ends when its
	// time is up; Schedules should then be more than that time allows.
	Limit   func(context.Context) (context.Context, context.CancelFunc)
	Threads int
	Seed    uint64
}

// Run plans every instance and takes the figures. clock is read around each.
func Run(ctx context.Context, list []Instance, b Budget, clock func() time.Time) (Row, error) {
	row := Row{Schedules: b.Schedules, Seed: b.Seed, Instances: len(list)}
	var ref, path float64
	paths, used := 0, 0
	for i := range list {
		in := &list[i]
		row.Set = in.Set
		begin := clock()
		plan, err := b.plan(ctx, in.Problem)
		row.MeanMs += float64(clock().Sub(begin).Microseconds()) / 1000
		if err != nil {
			return row, fmt.Errorf("%s/%s: %w", in.Set, in.Name, err)
		}
		if ctx.Err() != nil {
			return row, ctx.Err()
		}
		used += plan.Schedules
		for _, v := range check.Plan(in.Problem, plan) {
			row.Violations = append(row.Violations, in.Set+"/"+in.Name+" "+v.String())
		}
		if len(plan.Unplaced) > 0 {
			continue
		}
		row.Feasible++
		got := int64(plan.Cost.Total) / 1000
		if in.Best >= 0 {
			dev := deviation(got, in.Best)
			ref += dev
			row.Known++
			row.MaxRefPct = max(row.MaxRefPct, dev)
			if got <= in.Best {
				row.Reached++
			}
		}
		if in.Path > 0 {
			path += deviation(got, in.Path)
			paths++
		}
	}
	row.MeanRefPct, row.MeanPathPct = ref/float64(max(1, row.Known)), path/float64(max(1, paths))
	row.MeanMs /= float64(max(1, len(list)))
	if n := len(list); b.Limit != nil && n > 0 {
		row.Schedules = (used + n/2) / n
	}
	return row, nil
}

func (b *Budget) plan(ctx context.Context, p *model.Problem) (*model.Plan, error) {
	if b.Limit != nil {
		limited, cancel := b.Limit(ctx)
		defer cancel()
		ctx = limited
	}
	return scheduler.Plan(ctx, p, scheduler.Options{Schedules: b.Schedules, Seed: b.Seed, Threads: b.Threads})
}

// deviation is in percent; from 0, each unit counts as 100 %.
func deviation(got, from int64) float64 {
	return 100 * float64(got-from) / float64(max(1, from))
}

// Header is the head of WriteCSV.
const Header = "set,instances,schedules,reached,mean_dev_ref_pct,max_dev_ref_pct,mean_dev_cpm_pct,mean_ms,seed"

// WriteCSV writes rows under Header.
func WriteCSV(w io.Writer, rows []Row) error {
	if _, err := fmt.Fprintln(w, Header); err != nil {
		return err
	}
	for _, r := range rows {
		if _, err := fmt.Fprintf(w, "%s,%d,%d,%d,%.4f,%.4f,%.4f,%.3f,%d\n", r.Set, r.Instances, r.Schedules, r.Reached,
			r.MeanRefPct, r.MaxRefPct, r.MeanPathPct, r.MeanMs, r.Seed); err != nil {
			return err
		}
	}
	return nil
}

// WriteTable writes rows for people.
func WriteTable(w io.Writer, rows []Row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "set\tinstances\tschedules\tfeasible\tbest reached\tmean dev %\tmax dev %\tmean dev cpm %\tmean ms\tseed\tviolations\t")
	for _, r := range rows {
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%.3f\t%.2f\t%.3f\t%.2f\t%d\t%d\t\n", r.Set, r.Instances, r.Schedules, r.Feasible, r.Reached,
			r.MeanRefPct, r.MaxRefPct, r.MeanPathPct, r.MeanMs, r.Seed, len(r.Violations))
	}
	return t.Flush()
}
