package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/testdata"
)

func demoShop(t testing.TB) *queue.Shop {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	return shop
}

var monday = Sender{Now: time.Date(2026, 2, 16, 16, 0, 0, 0, time.UTC)}

// carryOut decides a command and applies its entry.
func carryOut(t testing.TB, s *queue.State, cmd queue.Command) {
	t.Helper()
	out, err := queue.Decide(s, queue.Conditions{Now: cmd.At}, cmd)
	if err != nil {
		t.Fatal(err)
	}
	if out.Duplicate {
		return
	}
	en := out.Entry(s)
	b, err := en.Encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := queue.DecodeEntry(b, en.Prev)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Apply(&back); err != nil {
		t.Fatal(err)
	}
}

// openShop is the state of a site whose shop file took effect.
func openShop(t testing.TB, shop *queue.Shop) *queue.State {
	t.Helper()
	s := queue.NewState(shop.Site)
	carryOut(t, s, queue.Command{ID: "shop", At: monday.Now, Action: &queue.ConfigureShop{Shop: *shop}})
	return s
}

func TestBusyDay(t *testing.T) {
	shop := demoShop(t)
	batch, errs := Load(bytes.NewReader(testdata.BusyDay), shop)
	if errs != nil {
		t.Fatal(errs)
	}
	if len(batch.Rows) != 24 {
		t.Fatalf("%d rows, want 24", len(batch.Rows))
	}
	// The note in line 5 spans two lines, so the last row begins in line 26.
	if first, last := batch.Rows[0].Line, batch.Rows[23].Line; first != 2 || last != 26 {
		t.Errorf("rows from line %d to %d", first, last)
	}
	want := queue.ReceiveUnit{Once: true, Unit: "LM-2604", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-00424", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "open exhaust"},
		Ownership: queue.NewUnit, Contact: "c-0be6c8", Route: "set-up", Options: []queue.StepID{"fitting"},
		Promise: time.Date(2026, 2, 18, 17, 0, 0, 0, time.UTC), Weight: 5,
		Parts: map[queue.StepID]time.Time{"fitting": time.Date(2026, 2, 18, 10, 0, 0, 0, time.UTC)},
		Note:  "Hand guards and skid plate;\nthe exhaust is fitted already",
	}}
	if diff := cmp.Diff(want, batch.Rows[3].Unit); diff != "" {
		t.Error(diff)
	}
	// A date alone is that day's closing time.
	if got := batch.Rows[8].Unit.Arrival.Promise; !got.Equal(time.Date(2026, 2, 20, 17, 30, 0, 0, time.UTC)) {
		t.Errorf("promise %s", got)
	}
	s := openShop(t, shop)
	plan := batch.Against(s, monday)
	if plan.Errors != nil || len(plan.New) != 24 || plan.Unchanged != 0 {
		t.Fatalf("%d new, %d unchanged, %v", len(plan.New), plan.Unchanged, plan.Errors)
	}
	for _, cmd := range Commands(plan.New, monday) {
		carryOut(t, s, cmd)
	}
	if len(s.OpenUnits()) != 24 {
		t.Errorf("%d units in the shop", len(s.OpenUnits()))
	}
}

// Importing the same file again changes nothing, also after a unit was changed
// in the shop; another content for the same ticket is a mistake.
func TestImportingTwiceChangesNothing(t *testing.T) {
	shop := demoShop(t)
	s := openShop(t, shop)
	load := func(src []byte) *Batch {
		b, errs := Load(bytes.NewReader(src), shop)
		if errs != nil {
			t.Fatal(errs)
		}
		return b
	}
	plan := load(testdata.BusyDay).Against(s, monday)
	half := Commands(plan.New[:10], monday) // the program dies here
	for _, cmd := range half {
		carryOut(t, s, cmd)
	}
	later := time.Date(2026, 2, 18, 9, 0, 0, 0, time.UTC)
	carryOut(t, s, queue.Command{ID: "amend", At: monday.Now, Actor: "ruth", Action: &queue.AmendUnit{Unit: "LM-2602", Change: queue.UnitAmended{Promise: &later}}})

	plan = load(testdata.BusyDay).Against(s, monday)
	if plan.Errors != nil || plan.Unchanged != 10 || len(plan.New) != 14 {
		t.Fatalf("%d new, %d unchanged, %v", len(plan.New), plan.Unchanged, plan.Errors)
	}
	for _, cmd := range Commands(plan.New, monday) {
		carryOut(t, s, cmd)
	}
	events := s.Events
	plan = load(testdata.BusyDay).Against(s, monday)
	if plan.Errors != nil || plan.Unchanged != 24 || len(Commands(plan.New, monday)) != 0 {
		t.Fatalf("%d new, %d unchanged, %v", len(plan.New), plan.Unchanged, plan.Errors)
	}
	for _, cmd := range half {
		carryOut(t, s, cmd) // a repeat
	}
	if s.Events != events {
		t.Errorf("%d events came of it", s.Events-events)
	}
	if got := s.Units["LM-2602"].Promise; !got.Equal(later) {
		t.Errorf("the promise of LM-2602 went back to %s", got)
	}

	other := bytes.Replace(testdata.BusyDay, []byte("Heated grips"), []byte("Radiator guards"), 1)
	plan = load(other).Against(s, monday)
	if plan.Unchanged != 23 || len(plan.Errors) != 1 || plan.Errors[0].Line != 22 || !strings.Contains(plan.Errors[0].What, "LM-2620 exists with another content") {
		t.Errorf("%d unchanged, %v", plan.Unchanged, plan.Errors)
	}
}

const header = "ticket,make,model,year,ownership,route,promise\n"

func loadText(t *testing.T, src string) (*Batch, Errors) {
	t.Helper()
	return Load(strings.NewReader(src), demoShop(t))
}

func TestForms(t *testing.T) {
	plain := header + "T1,Kestrow,Brae 250,2026,customer,accessories,2026-02-17 16:30\n" +
		"T2,Kestrow,\"Brae, \"\"250\"\"\",2026,customer,accessories,2026-02-17T16:30Z\n"
	want, errs := loadText(t, plain)
	if errs != nil {
		t.Fatal(errs)
	}
	if got := want.Rows[1].Unit.Arrival.Machine.Model; got != `Brae, "250"` {
		t.Errorf("model %q", got)
	}
	semicolons := strings.NewReplacer(`"Brae, ""250"""`, `"Brae, ""250"""`, ",", ";").Replace(plain)
	for name, src := range map[string]string{
		"byte-order mark":  "\uFEFF" + plain,
		"line ends":        strings.ReplaceAll(plain, "\n", "\r\n"),
		"all of it":        "\uFEFF" + strings.ReplaceAll(semicolons, "\n", "\r\n"),
		"no last line end": strings.TrimSuffix(plain, "\n"),
		"tabs":             strings.ReplaceAll(strings.ReplaceAll(plain, ",", "\t"), "Brae\t", "Brae,"),
		"names of columns": strings.Replace(plain, "ticket,make,model,year,ownership,route,promise", "Ticket No,MAKE,Model, Model-Year ,owner,Route,promised_for", 1),
		"quoted names":     strings.Replace(plain, "ticket,make", `"ticket","make"`, 1),
		"trailing commas":  strings.ReplaceAll(plain, "\n", ",,\n"),
	} {
		t.Run(name, func(t *testing.T) {
			got, errs := loadText(t, src)
			if errs != nil {
				t.Fatal(errs)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
	t.Run("sep line", func(t *testing.T) {
		got, errs := loadText(t, "sep=;\r\n"+semicolons)
		if errs != nil || len(got.Rows) != 2 || got.Rows[1].Line != 4 {
			t.Errorf("%+v, %v", got, errs)
		}
	})
	t.Run("empty lines", func(t *testing.T) {
		got, errs := loadText(t, strings.ReplaceAll(plain, "\nT", "\n\n,,,,,,\nT"))
		if errs != nil || len(got.Rows) != 2 || got.Rows[0].Line != 4 || got.Rows[1].Line != 7 {
			t.Errorf("%+v, %v", got, errs)
		}
	})
}

// What looks like a formula is a text like any other.
func TestFormulaIsText(t *testing.T) {
	got, errs := loadText(t, "ticket,make,model,year,ownership,route,promise,note\nT1,=1+1,@SUM(A1),2026,new,accessories,2026-02-17,\"=HYPERLINK(\"\"x\"\")\"\n")
	if errs != nil {
		t.Fatal(errs)
	}
	if a := got.Rows[0].Unit.Arrival; a.Machine.Make != "=1+1" || a.Machine.Model != "@SUM(A1)" || a.Note != `=HYPERLINK("x")` {
		t.Errorf("%+v", a)
	}
}

func TestBadLinesAreNamed(t *testing.T) {
	const good = "T0,Kestrow,Brae 250,2026,new,accessories,2026-02-17 16:30\n"
	row := func(cells string) string { return header + good + cells + "\n" }
	wide := func(column, cell string) string {
		return "ticket,make,model,year,ownership,route,promise," + column + "\n" +
			"T1,Kestrow,Brae 250,2026,new,set-up,2026-02-17," + cell + "\n"
	}
	for name, c := range map[string]struct {
		src, column, what, do string
		line                  int
	}{
		"ticket":                {row("T 1,Kestrow,Brae,2026,new,accessories,2026-02-17"), "ticket", "no ticket", "letters, digits", 3},
		"ticket twice":          {row(strings.TrimSpace(good)), "ticket", "stands in line 2 already", "own number", 3},
		"empty make":            {row("T1,,Brae,2026,new,accessories,2026-02-17"), "make", "is empty", "fill it in", 3},
		"year":                  {row("T1,Kestrow,Brae,26,new,accessories,2026-02-17"), "year", "no number from 1900", "four digits", 3},
		"year as a number":      {row("T1,Kestrow,Brae,2026.0,new,accessories,2026-02-17"), "year", "no number", "four digits", 3},
		"ownership":             {row("T1,Kestrow,Brae,2026,custmer,accessories,2026-02-17"), "ownership", "no ownership", `"customer"`, 3},
		"route":                 {row("T1,Kestrow,Brae,2026,new,acessories,2026-02-17"), "route", "no route", `"accessories"`, 3},
		"time in another form":  {row("T1,Kestrow,Brae,2026,new,accessories,17.02.2026 16:30"), "promise", "without guessing", "2026-02-17 16:30", 3},
		"time of two readings":  {row("T1,Kestrow,Brae,2026,new,accessories,02/03/2026"), "promise", "without guessing", "2026-02-17", 3},
		"time that is skipped":  {row("T1,Kestrow,Brae,2026,new,accessories,2026-03-29 01:30"), "promise", "clock change", "2026-02-17", 3},
		"day that is shut":      {row("T1,Kestrow,Brae,2026,new,accessories,2026-04-03"), "promise", "shop is shut", "2026-02-17", 3},
		"year of the promise":   {row("T1,Kestrow,Brae,2026,new,accessories,0026-02-17 16:30"), "promise", "outside the years", "2026-02-17", 3},
		"too few cells":         {row("T1,Kestrow,Brae,2026,new,accessories"), "", "6 cells, the first line names 7", "separator", 3},
		"too many cells":        {row("T1,Kestrow,Brae,2026,new,accessories,2026-02-17,x"), "", `holds "x"`, "separator too many", 3},
		"quote in a cell":       {row(`T1,Kestrow,4" Brae,2026,new,accessories,2026-02-17`), "", "quote stands in a cell", "double the quote", 3},
		"quote that stays open": {row(`T1,"Kestrow,Brae,2026,new,accessories,2026-02-17`), "", "does not end", "close the quotes", 3},
		"broken UTF-8":          {row("T1,Kestrow,Br\xe4e,2026,new,accessories,2026-02-17"), "model", "no UTF-8", "CSV UTF-8", 3},
		"broken UTF-8 below":    {row("T1,Kestrow,\"Brae\n\n\xe4\",2026,new,accessories,2026-02-17"), "model", "no UTF-8", "CSV UTF-8", 5},
		"unknown column":        {strings.Replace(row(""), "ownership", "owenrship", 1), "owenrship", "no column", `"ownership"`, 1},
		"missing column":        {strings.Replace(row(""), ",promise", "", 1), "promise", "is missing", "add it", 1},
		"escape in a column":    {strings.Replace(row(""), "promise", "\"\x1b[2Jpromise\"", 1), `"\x1b[2Jpromise"`, "no column", "", 1},
		"column twice":          {strings.Replace(row(""), "make", "ticket", 1), "ticket", "stands twice", "take one", 1},
		"empty file":            {"\n\n", "", "file is empty", "names the columns", 1},
		"UTF-16":                {"\xff\xfet\x00", "", "UTF-16", "CSV UTF-8", 1},
		"weight":                {wide("weight", "11"), "weight", "no number from 1 to 10", "1 to 10", 2},
		"option":                {wide("options", "fiting"), "options", "no optional step", `"fitting"`, 2},
		"family missing":        {wide("note", "x"), "family", "family is missing", "lists kr5 for this machine", 2},
		"family unknown":        {wide("family", "kr55"), "family", "no interface of the shop", `"kr5"`, 2},
		"part of no step":       {wide("parts", "fittin=2026-02-18"), "parts", "no step", `"fitting"`, 2},
		"part without a time":   {wide("parts", "fitting"), "parts", "no step and time", "fitting=2026", 2},
		"contact with data":     {wide("contact", "a.b@example.org"), "contact", "no id of a contact", "kept apart", 2},
		"phone number":          {wide("contact", "01632960123"), "contact", "no id of a contact", "kept apart", 2},
		"line break in a plate": {wide("plate", "\"A\nB\""), "plate", "line break", "one line", 2},
		"long note":             {wide("note", strings.Repeat("x", 2001)), "note", "2001 bytes", "shorten", 2},
		"long row":              {wide("note", strings.Repeat("x", RecordMax)), "", "at most 65536", "quote that is not closed", 2},
	} {
		t.Run(name, func(t *testing.T) {
			batch, errs := loadText(t, c.src)
			found := false
			for _, e := range errs {
				found = found || e.Line == c.line && e.Column == c.column && strings.Contains(e.What, c.what) && strings.Contains(e.Do, c.do)
			}
			if !found {
				t.Errorf("no mistake in line %d, column %q says %q and %q:\n%v", c.line, c.column, c.what, c.do, errs)
			}
			for _, row := range batch.Rows {
				if row.Line == c.line {
					t.Errorf("line %d was taken all the same", c.line)
				}
			}
		})
	}
}

// All mistakes of a line and all bad lines are told, good lines are kept.
func TestAllBadLinesAtOnce(t *testing.T) {
	batch, errs := loadText(t, header+
		"T1,,Brae,26,new,accessories,2026-02-17\n"+
		"T2,Kestrow,Brae,2026,new,accessories,2026-02-17\n"+
		"T3,Kestrow,Brae,2026,neu,accessories,soon\n"+
		"T2,Kestrow,Brae,2026,new,accessories,2026-02-17\n")
	var got []string
	for _, e := range errs {
		got = append(got, fmt.Sprint(e.Line, " ", e.Column))
	}
	if diff := cmp.Diff([]string{"2 make", "2 year", "4 ownership", "4 promise", "5 ticket"}, got); diff != "" {
		t.Errorf("%s\n%v", diff, errs)
	}
	if len(batch.Rows) != 1 || batch.Rows[0].Unit.Unit != "T2" {
		t.Errorf("rows %+v", batch.Rows)
	}
}

// The queue's own rules are asked before anything is sent.
func TestAgainstAsksTheQueue(t *testing.T) {
	shop := demoShop(t)
	// 1M8GDM9AXKP042788 is the usual example of a number with the right check
	// digit X; here it is 1 (from memory, see queue/ident for the source).
	src := "ticket,make,model,year,ownership,route,promise,frame\n" +
		"T1,Kestrow,Brae,2026,new,accessories,2026-02-17,1M8GDM9A1KP042788\n" +
		"T2,Kestrow,Brae,2026,new,accessories,2026-02-17,1M8GDM9AXKP042788\n"
	batch, errs := Load(strings.NewReader(src), shop)
	if errs != nil {
		t.Fatal(errs)
	}
	s := openShop(t, shop)
	plan := batch.Against(s, monday)
	if len(plan.New) != 1 || len(plan.Errors) != 1 || plan.Errors[0].Line != 2 || !strings.Contains(plan.Errors[0].What, "I12") {
		t.Errorf("%d new, %v", len(plan.New), plan.Errors)
	}
	foreman := monday
	foreman.Actor = "ruth"
	foreman.Overrides = []queue.Override{{Interlock: queue.I12, Reason: "stamped like this", By: "ruth"}}
	plan = batch.Against(s, foreman)
	if len(plan.New) != 2 || plan.Errors != nil {
		t.Errorf("%d new, %v", len(plan.New), plan.Errors)
	}
	carryOut(t, s, Commands(plan.New, foreman)[0])

	// What is in the shop is not checked in again, unless it is said to be
	// another machine.
	src = "ticket,make,model,year,ownership,route,promise,frame,beside\n" +
		"T3,Kestrow,Brae,2026,new,accessories,2026-02-17,1m8gdm9axkp042788,\n" +
		"T4,Kestrow,Brae,2026,new,accessories,2026-02-17,1M8GDM9AXKP042788,T2\n"
	again, errs := Load(strings.NewReader(src), shop)
	if errs != nil {
		t.Fatal(errs)
	}
	plan = again.Against(s, monday)
	if len(plan.New) != 1 || plan.New[0].Unit != "T4" || len(plan.Errors) != 1 || plan.Errors[0].Line != 2 || !strings.Contains(plan.Errors[0].What, "as T2") {
		t.Errorf("%+v, %v", plan.New, plan.Errors)
	}

	small := *shop
	small.Limits.UnitsOpenMax = 1
	plan = batch.Against(openShop(t, &small), foreman)
	if len(plan.New) != 0 || len(plan.Errors) != 1 || plan.Errors[0].Line != 0 || !strings.Contains(plan.Errors[0].What, "limit of 1") {
		t.Errorf("%d new, %v", len(plan.New), plan.Errors)
	}
}

// manyLines is a file of n units with notes of so many bytes.
func manyLines(n, note int) []byte {
	var b bytes.Buffer
	b.WriteString("ticket,make,model,year,ownership,route,promise,note\n")
	for i := range n {
		fmt.Fprintf(&b, "T%06d,Kestrow,Brae 250,2026,customer,accessories,2026-02-%02d 16:30,\"%s\"\n", i, 10+i%18, strings.Repeat("n", note))
	}
	return b.Bytes()
}

// 100,000 lines are taken in commands that each fit an entry of the log.
func TestHundredThousandLines(t *testing.T) {
	shop := demoShop(t)
	shop.Limits.UnitsOpenMax = 0
	batch, errs := Load(bytes.NewReader(manyLines(100_000, 20)), shop)
	if errs != nil {
		t.Fatal(errs)
	}
	s := openShop(t, shop)
	plan := batch.Against(s, monday)
	if len(plan.New) != 100_000 || plan.Errors != nil {
		t.Fatalf("%d new, %.300v", len(plan.New), plan.Errors)
	}
	seen := map[queue.CommandID]bool{}
	units, commands := 0, Commands(plan.New, monday)
	for i, cmd := range commands {
		if seen[cmd.ID] || len(cmd.ID) > 64 {
			t.Fatalf("command id %s", cmd.ID)
		}
		seen[cmd.ID] = true
		units += len(cmd.Action.(*queue.ReceiveUnits).Units)
		if i%20 == 0 || i == len(commands)-1 {
			carryOut(t, s, cmd) // encodes the entry
		}
	}
	if units != 100_000 {
		t.Errorf("%d units in %d commands", units, len(commands))
	}
}

// Rows with the longest notes fill an entry by bytes before they fill it by
// number.
func TestCommandsFitEntries(t *testing.T) {
	shop := demoShop(t)
	batch, errs := Load(bytes.NewReader(manyLines(2000, noteMax)), shop)
	if errs != nil {
		t.Fatal(errs)
	}
	shop.Limits.UnitsOpenMax = 0
	s := openShop(t, shop)
	var units []queue.ReceiveUnit
	for _, r := range batch.Rows {
		r.Unit.Arrival.Note = strings.Repeat("\"", noteMax) // twice as long in JSON
		units = append(units, r.Unit)
	}
	commands := Commands(units, monday)
	for _, cmd := range commands {
		carryOut(t, s, cmd) // encodes the entry
	}
	if len(s.Units) != 2000 || len(commands) <= 2000/queue.EntryEventsMax+1 {
		t.Errorf("%d units in %d commands", len(s.Units), len(commands))
	}
}

func TestBoundsOfTheFile(t *testing.T) {
	shop := demoShop(t)
	t.Run("rows", func(t *testing.T) {
		rows := io.MultiReader(strings.NewReader(header), repeat("x\n", RowsMax+1))
		n := 0
		var last Errors
		for _, errs := range Read(rows, shop) {
			n++
			last = errs
		}
		if n != RowsMax+1 || !strings.Contains(last.Error(), "more than 200000 rows") {
			t.Errorf("%d rows, then %v", n, last)
		}
	})
	t.Run("bytes", func(t *testing.T) {
		_, errs := Load(io.MultiReader(strings.NewReader(header+`"`), repeat(strings.Repeat("x", 1<<10), SizeMax>>10)), shop)
		if len(errs) != 1 || !strings.Contains(errs[0].What, "more than 67108864 bytes") {
			t.Errorf("%v", errs)
		}
	})
	t.Run("broken off", func(t *testing.T) {
		cause := errors.New("the stick was pulled")
		_, errs := Load(io.MultiReader(strings.NewReader(header+"T1,Kes"), iotest.ErrReader(cause)), shop)
		if len(errs) == 0 || !strings.Contains(errs[0].What, cause.Error()) {
			t.Errorf("%v", errs)
		}
	})
}

// repeat reads a text n times.
func repeat(s string, n int) io.Reader {
	return io.LimitReader(&repeater{s: s}, int64(len(s))*int64(n))
}

type repeater struct {
	s  string
	at int
}

func (r *repeater) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		k := copy(p[n:], r.s[r.at:])
		n, r.at = n+k, (r.at+k)%len(r.s)
	}
	return n, nil
}

// FuzzRead: every input is read to its end without panic; rows that are given
// are as the queue wants them, and mistakes say where and what.
func FuzzRead(f *testing.F) {
	shop := demoShop(f)
	s := openShop(f, shop)
	f.Add(testdata.BusyDay)
	f.Add([]byte(header + "T1,Kestrow,Brae,2026,new,accessories,2026-02-17\n"))
	f.Add([]byte("sep=;\r\n" + strings.ReplaceAll(header, ",", ";") + "T1;K;B;2026;new;accessories;2026-02-17T01:00+01:00\n\"\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		batch, errs := Load(bytes.NewReader(src), shop)
		for _, e := range errs {
			if e.What == "" || e.Line < 0 || e.Error() == "" {
				t.Errorf("mistake %+v", e)
			}
		}
		if len(batch.Rows)+len(errs) > 300 {
			return
		}
		plan := batch.Against(s, monday)
		if len(plan.New)+len(plan.Errors)+plan.Unchanged != len(batch.Rows) {
			t.Errorf("%d rows came to %d new and %d mistakes", len(batch.Rows), len(plan.New), len(plan.Errors))
		}
		for _, e := range plan.Errors {
			if !strings.Contains(e.What, "I12") { // the only rule that Read leaves to the queue
				t.Errorf("Read let pass what the queue refuses: %v", e)
			}
		}
		after := s.Clone()
		for _, cmd := range Commands(plan.New, monday) {
			carryOut(t, after, cmd)
		}
		again, _ := Load(bytes.NewReader(src), shop)
		if p := again.Against(after, monday); p.Unchanged != len(plan.New) || len(p.New) != 0 {
			t.Errorf("the second import has %d new, %d unchanged of %d", len(p.New), p.Unchanged, len(plan.New))
		}
	})
}

func BenchmarkLoad100kLines(b *testing.B) {
	shop := demoShop(b)
	src := manyLines(100_000, 20)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		if batch, errs := Load(bytes.NewReader(src), shop); len(batch.Rows) != 100_000 || errs != nil {
			b.Fatal(errs)
		}
	}
}

func BenchmarkAgainst100kLines(b *testing.B) {
	shop := demoShop(b)
	shop.Limits.UnitsOpenMax = 0
	s := openShop(b, shop)
	batch, _ := Load(bytes.NewReader(manyLines(100_000, 20)), shop)
	b.ReportAllocs()
	for b.Loop() {
		if p := batch.Against(s, monday); len(p.New) != 100_000 {
			b.Fatal(p.Errors)
		}
	}
}
