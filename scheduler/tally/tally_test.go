package tally_test

import (
	"bufio"
	"bytes"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"tickover/scheduler/tally"
)

// TestCertifiedValues: the univariate sets of NIST's Statistical Reference
// Datasets, as NIST publishes them, with the certified means and standard
// deviations in their heads. A sum of squares fails the last two.
func TestCertifiedValues(t *testing.T) {
	for name, limit := range map[string]float64{ // relative error of the deviation
		"Lottery": 1e-13, "Lew": 1e-13, "Mavro": 1e-12, "Michelso": 1e-12,
		"NumAcc1": 1e-15, "NumAcc2": 1e-10, "NumAcc3": 1e-9, "NumAcc4": 1e-7,
	} {
		file, err := os.ReadFile(filepath.Join("testdata", name+".dat"))
		if err != nil {
			t.Fatal(err)
		}
		var s tally.Sample
		var mean, deviation float64
		inData := false
		for lines := bufio.NewScanner(bytes.NewReader(file)); lines.Scan(); {
			line := strings.TrimSpace(lines.Text())
			switch {
			case strings.HasPrefix(line, "Sample Mean"):
				mean = number(t, line)
			case strings.HasPrefix(line, "Sample Standard Deviation (denom"):
				deviation = number(t, line)
			case strings.HasPrefix(line, "-----"):
				inData = true
			case inData && line != "":
				s.Add(number(t, line))
			}
		}
		if s.N() < 3 || deviation == 0 {
			t.Fatalf("%s: %d values, deviation %g: the file was not understood", name, s.N(), deviation)
		}
		if e := math.Abs(s.Mean()-mean) / math.Abs(mean); e > 1e-13 {
			t.Errorf("%s: mean %.15g, certified %.15g", name, s.Mean(), mean)
		}
		if e := math.Abs(s.Deviation()-deviation) / deviation; e > limit {
			t.Errorf("%s: deviation %.15g, certified %.15g: off by %.1e", name, s.Deviation(), deviation, e)
		}
	}
}

// TestDigitsOfPi: NIST's set PiDigits, worked out here; its certified values are
// those that the Go library montanaflynn/stats tests against. They are not quite
// of the first 5,000 digits: the sum is 5 less and the sum of squares 55, and
// a − b = 5 with a² − b² = 55 is one 8 that the set has as a 3.
func TestDigitsOfPi(t *testing.T) {
	const digits = 5000
	var s tally.Sample
	for _, c := range strings.Replace(piDigits(digits), "8", "3", 1) {
		s.Add(float64(c - '0'))
	}
	if s.N() != digits {
		t.Fatalf("%d digits", s.N())
	}
	if mean := 4.5348; math.Abs(s.Mean()-mean) > 1e-13*mean {
		t.Errorf("mean %.15g, certified %.15g", s.Mean(), mean)
	}
	if deviation := 2.86733906028871; math.Abs(s.Deviation()-deviation) > 1e-13*deviation {
		t.Errorf("deviation %.15g, certified %.15g", s.Deviation(), deviation)
	}
}

// piDigits are the first n digits of π by Machin's formula,
// π = 16 arctan 1/5 − 4 arctan 1/239.
func piDigits(n int) string {
	one := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n+10)), nil)
	arctan := func(inverse int64) *big.Int {
		sum, term := new(big.Int), new(big.Int).Div(one, big.NewInt(inverse))
		for k := int64(1); term.Sign() != 0; k += 2 {
			part := new(big.Int).Div(term, big.NewInt(k))
			if k%4 == 3 {
				part.Neg(part)
			}
			sum.Add(sum, part)
			term.Div(term, big.NewInt(inverse*inverse))
		}
		return sum
	}
	pi := new(big.Int).Mul(arctan(5), big.NewInt(16))
	return pi.Sub(pi, new(big.Int).Mul(arctan(239), big.NewInt(4))).String()[:n]
}

// number is the last word of a line that is one.
func number(t *testing.T, line string) float64 {
	t.Helper()
	words := strings.Fields(line)
	for i := len(words) - 1; i >= 0; i-- {
		if x, err := strconv.ParseFloat(words[i], 64); err == nil {
			return x
		}
	}
	t.Fatalf("no number in %q", line)
	return 0
}

// TestLittleIsNeverNaN: of nothing, of one value and of nonsense.
func TestLittleIsNeverNaN(t *testing.T) {
	var s tally.Sample
	if s.Mean() != 0 || s.Deviation() != 0 || s.Interval().Bounded() || s.Interval().Sure() {
		t.Errorf("of nothing: %+v", s.Interval())
	}
	s.Add(math.NaN())
	s.Add(math.Inf(1))
	s.Add(7)
	if s.N() != 1 || s.Mean() != 7 || s.Interval().Sure() {
		t.Errorf("of one: %v of %d", s.Mean(), s.N())
	}
	s.Add(7)
	if i := s.Interval(); i.Half != 0 || !i.Sure() || !i.Bounded() {
		t.Errorf("of two equal ones: %+v", i)
	}
	var l tally.Level
	if l.Mean(0) != 0 {
		t.Error("a level without time has a mean")
	}
}

func TestLevel(t *testing.T) {
	var l tally.Level
	l.Add(0, 2)
	l.Add(10, 1)
	l.Reset(15)
	l.Add(20, -3)
	if got := l.Area(30); got != 15 {
		t.Errorf("area %d, want 15", got)
	}
	if got := l.Mean(30); got != 1 {
		t.Errorf("mean %v, want 1", got)
	}
}
