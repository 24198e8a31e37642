// Command tickover is the job queue of a motorcycle service shop: every role
// of the program, the demo, and the tools for the shop file and the log.
//
//	tickover demo                     a living shop at http://127.0.0.1:8425
//	tickover check shop.yaml          every mistake of a shop file at once
//	tickover serve --shop shop.yaml   run the shop
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"
)

// Exit codes. A Go panic exits with 2, so that code says nothing else.
const (
	exitOK     = 0
	exitFailed = 1 // what was asked for could not be done; standard error says why
	exitUsage  = 3 // the command line makes no sense
)

const defaultListen = "127.0.0.1:8425"

// cli is the command line. Each flag is also an environment variable.
type cli struct {
	Check        checkCmd        `cmd:"" help:"Check a shop file and tell every mistake at once."`
	Serve        serveCmd        `cmd:"" help:"Run the shop: log, dispatcher, benches, pages."`
	Bench        benchCmd        `cmd:"" help:"Run one bench's worker alone, on the bench's laptop."`
	Demo         demoCmd         `cmd:"" help:"Run the demo shop, live or headless."`
	Plan         planCmd         `cmd:"" help:"Plan from a shop file and a CSV of units, without a server."`
	Lengths      lengthsCmd      `cmd:"" help:"How long work takes, as it was learnt from the log (CSV)."`
	Simulate     simulateCmd     `cmd:"" help:"What one more of each thing, or any change, would bring."`
	Plot         plotCmd         `cmd:"" help:"Draw what happened in a shop into a file: SVG, PNG or CSV."`
	Import       importCmd       `cmd:"" help:"Check units in from a CSV file."`
	Calibrations calibrationsCmd `cmd:"" help:"Import or export the catalogue of calibrations."`
	Campaigns    campaignsCmd    `cmd:"" help:"Call machines back, and sweep them."`
	Machines     machinesCmd     `cmd:"" help:"A machine's record, and the trade-in check."`
	Units        unitsCmd        `cmd:"" help:"Units with their steps and events."`
	Steps        stepsCmd        `cmd:"" help:"Start and end steps."`
	Showroom     showroomCmd     `cmd:"" help:"What machines in the house lack."`
	Labour       labourCmd       `cmd:"" help:"Hands-on work against the standard time."`
	Technicians  techniciansCmd  `cmd:"" help:"A technician's day."`
	People       peopleCmd       `cmd:"" help:"Find, hand out and erase people's data."`
	Verify       verifyCmd       `cmd:"" help:"Check a log for damage; changes nothing."`
	Backup       backupCmd       `cmd:"" help:"Write a log to one file."`
	Restore      restoreCmd      `cmd:"" help:"Make a log from a backup."`
	Doctor       doctorCmd       `cmd:"" help:"Look at an installation and say what is wrong and what to do."`
	Keys         keysCmd         `cmd:"" help:"Make the keys and certificates of a deployment."`
	Ready        readyCmd        `cmd:"" help:"Ask a running process whether it can work."`
	Measure      measureCmd      `cmd:"" hidden:"" help:"Run the planner over open benchmark sets."`
	Shop         shopCmd         `cmd:"" help:"The shop in effect at a site of a running deployment: show it, change it."`
	Account      accountCmd      `cmd:"" help:"Accounts of a stopped shop or a running deployment: make, list, reset, link, tokens for programs."`
	Version      versionCmd      `cmd:"" help:"Print the version."`
}

// streams are where a command reads and writes; data goes to out, talk to err.
type streams struct {
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdout, os.Stderr}))
}

// run is main without the process, for tests.
func run(ctx context.Context, args []string, io streams) int {
	var c cli
	exited := -1
	parser, err := kong.New(&c,
		kong.Name("tickover"),
		kong.Description("The job queue of a motorcycle service shop.\n\nExample: tickover demo, then open http://"+defaultListen),
		kong.Writers(io.out, io.err),
		kong.Exit(func(code int) { exited = code }),
		kong.DefaultEnvars("TICKOVER"),
		kong.Vars{"listen": defaultListen},
		kong.UsageOnError(),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(io),
	)
	if err != nil {
		panic(err) // the command line's own definition is wrong
	}
	k, err := parser.Parse(args)
	if exited >= 0 { // --help
		return exited
	}
	if err != nil {
		fmt.Fprintf(io.err, "tickover: %v\nTry: tickover --help\n", err)
		return exitUsage
	}
	if err := k.Run(); err != nil {
		if !errors.Is(err, errSaid) {
			fmt.Fprintf(io.err, "tickover: %v\n", err)
		}
		return exitFailed
	}
	return exitOK
}

// errSaid: the command failed and has said why already.
var errSaid = errors.New("said already")

type versionCmd struct{}

func (versionCmd) Run(io streams) error {
	_, err := fmt.Fprintln(io.out, "tickover", version())
	return err
}

// version is the module's version or the commit that was built.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return s.Value[:12]
		}
	}
	return info.Main.Version
}
