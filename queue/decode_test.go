package queue

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// sampleEntry has kinds of events, and odd but legal texts, by the seed.
func sampleEntry(t testing.TB, rng *rand.Rand) []byte {
	t.Helper()
	texts := []string{"moss", "Größe", "a \"b\" \\ c", "<&>", "line\nbreak", "日本", "{[\"}", ""}
	text := func() string { return texts[max(0, rng.IntN(4*len(texts))-3*len(texts))] } // mostly the first
	at := time.Date(2031, 2, 24, 7, 30, rng.IntN(60), rng.IntN(3)*1234567, time.UTC)
	en := Entry{Site: "larkmoor"}
	for i := range 1 + rng.IntN(4) {
		kinds := []struct {
			t EventType
			d Data
		}{
			{"flash.done", &StepDone{Step: "flash", Technician: PersonID(text()), Evidence: Evidence{"note": text(), "odometer_km": "12"}}},
			{TypeProblemReported, &ProblemReported{Step: "flash", Reason: text()}},
			{TypeUnitAmended, &UnitAmended{Promise: &at, Parts: map[StepID]time.Time{"fit": at}, Reason: text()}},
			{"weather.noted", nil},
			{TypeShopConfigured, &ShopConfigured{Shop: Shop{Name: text(), Limits: Limits{ClockSkew: time.Minute}}}},
		}
		k := kinds[rng.IntN(len(kinds))]
		e := Event{
			ID: fmt.Sprintf("c.%d", i), Site: "larkmoor", Subject: UnitSubject(UnitID("T" + text())), Time: at,
			Received: at.Add(time.Second), Actor: PersonID(text()), Command: "c", N: rng.Uint64N(1 << 40),
			ClockSuspect: rng.IntN(2) == 0, Type: k.t, Data: k.d,
		}
		if rng.IntN(2) == 0 {
			e.Prev = HashOf([]byte(text()))
		}
		if k.d == nil {
			e.raw = []byte(`{"wind_mps":7}`)
		}
		en.Events = append(en.Events, e)
	}
	b, err := en.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sameDecoded demands that the short way, where it is taken, gives what the
// general decoder gives.
func sameDecoded(t *testing.T, b []byte) (canonical bool) {
	t.Helper()
	short, ok := decodeCanonical(b, "p")
	if !ok {
		return false
	}
	long, err := decodeAny(b, "p")
	if err != nil {
		t.Fatalf("the short way reads what the general one refuses (%v):\n%s", err, b)
	}
	if !reflect.DeepEqual(short, long) {
		t.Fatalf("the short way reads\n%+v\nthe general one\n%+v\nof\n%s", short, long, b)
	}
	return true
}

func TestShortWayDecodesTheSame(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	taken, changed := 0, 0
	for range 3000 {
		b := sampleEntry(t, rng)
		if sameDecoded(t, b) {
			taken++
		}
		for range 5 { // and so after a small change
			c := append([]byte(nil), b...)
			switch i := rng.IntN(len(c)); rng.IntN(3) {
			case 0:
				c[i] ^= 1 << rng.IntN(8)
			case 1:
				c = append(c[:i], c[i+1:]...)
			case 2:
				c[i] = `{}[]",:\ 0`[rng.IntN(10)]
			}
			if sameDecoded(t, c) {
				changed++
			}
		}
	}
	if taken < 500 || changed < 100 {
		t.Errorf("the short way was taken %d times and %d times after a change: the test shows too little", taken, changed)
	}
}

func FuzzShortWay(f *testing.F) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		f.Add(sampleEntry(f, rng))
	}
	f.Fuzz(func(t *testing.T, b []byte) { sameDecoded(t, b) })
}

// BenchmarkDecodeWays compares the short way with the general decoder. The
// events a second are counted on the processor's time, so that a busy machine
// does not blur them.
func BenchmarkDecodeWays(b *testing.B) {
	en := Entry{Site: "larkmoor"}
	at := time.Date(2031, 2, 24, 7, 30, 0, 0, time.UTC)
	for i, d := range []Data{
		&StepDone{Step: "flash", Technician: "moss", Evidence: Evidence{"calibration": "cal-40-std", "revision": "7", "battery_v": "12.7"}},
		&AssignmentAccepted{Step: "resets", Technician: "moss", Resources: []ResourceID{"b2", "if1"}},
	} {
		en.Events = append(en.Events, Event{
			ID: fmt.Sprintf("c.%d", i), Site: "larkmoor", Subject: "unit/T-00042", Time: at, Received: at, Actor: "moss",
			Command: "018f3c2e-7a10-7000-8000-000000000001", N: 7, Prev: HashOf(nil),
			Type: []EventType{"flash.done", TypeAssignmentAccepted}[i], Data: d,
		})
	}
	body, err := en.Encode()
	if err != nil {
		b.Fatal(err)
	}
	for name, decode := range map[string]func([]byte, Hash) (Entry, error){"short": DecodeEntry, "general": decodeAny} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			start, n := cpuTime(b), 0
			for b.Loop() {
				if _, err := decode(body, ""); err != nil {
					b.Fatal(err)
				}
				n += len(en.Events)
			}
			b.ReportMetric(float64(n)/(cpuTime(b)-start).Seconds(), "events/cpu-s")
		})
	}
}

func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
