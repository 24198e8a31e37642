package log_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"tickover/queue"
	"tickover/queue/log"
)

// A log in a directory: one command is appended, and read again after the log
// was closed and opened.
func Example() {
	dir, err := os.MkdirTemp("", "example-")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	srv, err := log.Open(ctx, log.Options{Dir: dir})
	if err != nil {
		panic(err)
	}
	at := time.Date(2031, 2, 24, 7, 30, 0, 0, time.UTC)
	entry := &queue.Entry{Site: "larkmoor", Events: []queue.Event{{
		ID: "cmd-1.0", Site: "larkmoor", Subject: queue.UnitSubject("T-17"), Time: at, Received: at,
		Actor: "moss", Command: "cmd-1", N: 1, Type: queue.TypeProblemReported,
		Data: &queue.ProblemReported{Step: "flash", Reason: "the charger's fuse is blown"},
	}}}
	seq, err := srv.Append(ctx, entry, 0) // on disk when it returns
	fmt.Println(seq, err)
	fmt.Println(srv.Close())

	srv, err = log.Open(ctx, log.Options{Dir: dir}) // checks all of it first
	if err != nil {
		panic(err)
	}
	defer srv.Close()
	err = srv.Read(ctx, "larkmoor", 0, func(en *queue.Entry) error {
		fmt.Println(en.Seq, en.Command(), en.Events[0].Subject, en.Events[0].Type)
		return nil
	})
	fmt.Println(err)
	// Output:
	// 1 <nil>
	// <nil>
	// 1 cmd-1 unit/T-17 problem.reported
	// <nil>
}
