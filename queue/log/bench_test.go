package log_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sys/unix"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// floor makes entries such as a technician's commands cause: a step is done,
// with evidence, and the next one accepted. The chains of the units are whole.
type floor struct {
	n     int
	units map[queue.Subject]queue.Hash
}

func (f *floor) next(site queue.SiteID, last log.Position) *queue.Entry {
	i := f.n
	f.n++
	at := logtest.At.Add(time.Duration(i) * time.Minute)
	cmd := queue.CommandID(fmt.Sprintf("018f3c2e-7a10-7000-8000-%012d", i))
	subject := queue.UnitSubject(queue.UnitID(fmt.Sprintf("T-%05d", i/20)))
	if f.units == nil {
		f.units = map[queue.Subject]queue.Hash{}
	}
	en := &queue.Entry{Site: site, Prev: last.Hash}
	for n, data := range []queue.Data{
		&queue.StepDone{Step: "flash", Technician: "moss", Evidence: queue.Evidence{
			"calibration": "cal-40-std", "revision": "7", "programmed_on": "2031-02-24", "battery_v": "12.7",
		}},
		&queue.AssignmentAccepted{Step: "resets", Technician: "moss", Resources: []queue.ResourceID{"b2", "if1"}},
	} {
		e := queue.Event{
			ID: fmt.Sprintf("%s.%d", cmd, n), Site: site, Subject: subject,
			Time: at, Received: at.Add(2 * time.Second), Actor: "moss", Command: cmd, N: uint64(i%20*2 + n + 1),
			Prev: f.units[subject], Type: []queue.EventType{"flash.done", queue.TypeAssignmentAccepted}[n], Data: data,
		}
		if _, err := e.MarshalJSON(); err != nil {
			panic(err)
		}
		f.units[subject] = e.Hash()
		en.Events = append(en.Events, e)
	}
	return en
}

// bigLog is a log of n entries of two events, made through a backup file
// because that needs no sync for each entry.
func bigLog(b *testing.B, n int) string {
	b.Helper()
	once, _ := bigLogs.LoadOrStore(n, sync.OnceValues(func() (string, error) {
		dir, err := os.MkdirTemp("", "logtest-big-")
		if err != nil {
			return "", err
		}
		atEnd(func() { _ = os.RemoveAll(dir) })
		mem := logtest.NewMem()
		var last log.Position
		var f floor
		for range n {
			en := f.next(site, last)
			seq, err := mem.Append(context.Background(), en, last.Seq)
			if err != nil {
				return "", err
			}
			last = log.Position{Seq: seq, Hash: en.Hash()}
		}
		return filepath.Join(dir, "log"), log.Load(context.Background(), mem, site, filepath.Join(dir, "log"))
	}))
	dir, err := once.(func() (string, error))()
	if err != nil {
		b.Fatal(err)
	}
	return dir
}

var bigLogs sync.Map

// BenchmarkAppend compares an append with a bare publish of the same bytes to
// the same server, in the same run: ratio is ours to theirs.
func BenchmarkAppend(b *testing.B) {
	s := open(b, log.Options{Dir: b.TempDir()})
	js, err := jetstream.New(s.Conn())
	if err != nil {
		b.Fatal(err)
	}
	if _, err := js.CreateStream(b.Context(), jetstream.StreamConfig{Name: "RAW", Subjects: []string{"raw"}}); err != nil {
		b.Fatal(err)
	}
	var ours, bare time.Duration
	var last log.Position
	var f floor
	for b.Loop() {
		en := f.next(site, last)
		start := time.Now()
		seq, err := s.Append(b.Context(), en, last.Seq)
		ours += time.Since(start)
		if err != nil {
			b.Fatal(err)
		}
		last = log.Position{Seq: seq, Hash: en.Hash()}
		body, err := en.Encode()
		if err != nil {
			b.Fatal(err)
		}
		start = time.Now()
		_, err = js.PublishMsg(b.Context(), &nats.Msg{Subject: "raw", Data: body})
		bare += time.Since(start)
		if err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(ours.Microseconds())/float64(f.n), "append-µs")
	b.ReportMetric(float64(bare.Microseconds())/float64(f.n), "publish-µs")
	b.ReportMetric(ours.Seconds()/bare.Seconds(), "ratio")
}

// BenchmarkReplay reads 100,000 entries of two events, decodes them and folds
// them into a map of units, as the queue does.
func BenchmarkReplay(b *testing.B) {
	const n = 100_000
	s := open(b, log.Options{Dir: bigLog(b, n)})
	events := 0
	began := cpuTime(b)
	for b.Loop() {
		units := map[queue.Subject]int{}
		err := s.Read(b.Context(), site, 0, func(en *queue.Entry) error {
			for i := range en.Events {
				units[en.Events[i].Subject]++
				events++
			}
			return nil
		})
		if err != nil || len(units) != n/20 {
			b.Fatal(err, len(units))
		}
	}
	b.ReportMetric(float64(events)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(float64(events)/(cpuTime(b)-began).Seconds(), "events/cpu-s")
}

// cpuTime is the processor time of this process: rates by it are not blurred
// by what else the machine does.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkStart opens a log of 200,000 entries (400,000 events): the check of
// all of it, and all, until it serves.
func BenchmarkStart(b *testing.B) {
	const n = 200_000
	for _, clean := range []bool{true, false} {
		b.Run(fmt.Sprintf("clean=%t", clean), func(b *testing.B) {
			dir := bigLog(b, n)
			var check time.Duration
			for b.Loop() {
				b.StopTimer()
				if !clean { // as if the program had been killed
					edit(b, filepath.Join(dir, "mark"), func(m []byte) []byte {
						return []byte(strings.Repeat("x", len(m)))
					})
				}
				b.StartTimer()
				s, err := log.Open(b.Context(), log.Options{Dir: dir})
				if err != nil {
					b.Fatal(err)
				}
				b.StopTimer()
				check += s.Report().Took
				if s.Report().Entries != n || s.Report().Unclean == clean {
					b.Fatalf("%+v", s.Report())
				}
				if err := s.Close(); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
			b.ReportMetric(check.Seconds()/float64(b.N)*1e3, "check-ms")
		})
	}
}
