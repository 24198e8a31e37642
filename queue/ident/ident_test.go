package ident

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Sources of the numbers below:
//
//	CFR     49 CFR 565, tables III to VI of the older numbering: the worked example of a check digit
//	NHTSA   NHTSA, "Outline for New Manufacturer Information", p. 18: worked example
//	info    docs.rs, vin-info 0.1.2, tests/basic.rs
//	vindec  R package vindecodr, documentation and examples
//	gist    chadbaldwin/2b8f62cd, test numbers of a check-digit function
//	memory  a widely used test number; attribution from memory, sum recomputed
//	edit    a single edit of a found number

func TestCFRWorkedExample(t *testing.T) {
	// CFR, table V: 1G4AH59H_5G118341, sum 411, remainder 4.
	want := [17]int{8, 49, 24, 5, 32, 15, 18, 80, 0, 45, 56, 7, 6, 40, 12, 12, 2}
	got, ok := products("1G4AH59H05G118341") // position 9 weighs nothing
	if !ok {
		t.Fatal("products refuses the example")
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("products (-want +got):\n%s", diff)
	}
	if sum(got) != 411 {
		t.Errorf("sum = %d, want 411", sum(got))
	}
	if digit, _ := CheckDigit("1G4AH59H05G118341"); digit != '4' {
		t.Errorf("check digit %c, want 4", digit)
	}
}

func TestTransliterationTable(t *testing.T) {
	// CFR, table III.
	rows := map[int]string{1: "AJ1", 2: "BKS2", 3: "CLT3", 4: "DMU4", 5: "ENV5", 6: "FW6", 7: "GPX7", 8: "HY8", 9: "RZ9", 0: "0"}
	count := 0
	for want, characters := range rows {
		for _, c := range characters {
			count++
			if got, ok := value(c); !ok || got != want {
				t.Errorf("value(%c) = %d, %v, want %d", c, got, ok, want)
			}
		}
	}
	if count != 33 { // 26 letters without I, O, Q, and ten digits
		t.Fatalf("table has %d characters, want 33", count)
	}
	for _, c := range "IOQ" {
		if _, ok := value(c); ok {
			t.Errorf("value(%c) exists", c)
		}
	}
}

func TestRemainders(t *testing.T) {
	// 49 CFR 565.15(c)(4), table V: remainders 0 to 10 are 0 to 9 and X. Its
	// printed decimals hold a misprint (7/11 as .634): only integers count.
	vins := []string{ // 3·(position 16) + 2·(position 17) = remainder
		"00000000000000000", "00000000000000006", "00000000000000001", "00000000000000010",
		"00000000000000002", "00000000000000011", "00000000000000003", "00000000000000012",
		"00000000000000004", "00000000000000030", "00000000000000005",
	}
	for remainder, vin := range vins {
		if digit, ok := CheckDigit(vin); !ok || digit != "0123456789X"[remainder] {
			t.Errorf("CheckDigit(%s) = %c, want %c", vin, digit, "0123456789X"[remainder])
		}
	}
}

func TestClassify(t *testing.T) {
	tests := []struct {
		give     string
		class    Class
		sum      int  // 0: not stated by the source
		computed byte // 0: no check digit
		source   string
	}{
		{"1G4AH59H45G118341", VIN, 411, '4', "CFR"},
		{"1J9RP1A36A1644345", VIN, 314, '6', "NHTSA"},
		{"11111111111111111", VIN, 89, '1', "memory"},
		{"1M8GDM9AXKP042788", VIN, 351, 'X', "info"},
		{"5N1NJ01CXST000001", VIN, 186, 'X', "info"},
		{"1FACP45EXLF192944", VIN, 373, 'X', "a public wiki: 'weighted sum is 373 and 373 mod 11 is 10'"},
		{"WDBEA30D3HA391172", VIN, 355, '3', "vindec"},
		{"1FTFX1E58LKF43489", VIN, 371, '8', "gist"},
		{"3FA6P0HR5DR246490", VINCheckDigitWrong, 0, '4', "gist: invalid check digit test"},
		{"1M8GDM9A1KP042788", VINCheckDigitWrong, 0, 'X', "edit: position 9"},
		{"1M8GDM9AXKP042787", VINCheckDigitWrong, 0, '8', "edit: last digit, 351-2 = 349 = 31·11+8"},
		{"1M8GDM9AXKP024788", VINCheckDigitWrong, 0, '8', "edit: transposed, 351-2 = 349"},
		{"3FA6PQHR5DR24649O", Unreadable, 0, 0, "gist"},
		{"WDBEA3QD3HA39I172", Unreadable, 0, 0, "vindec"},
		// NHTSA final rule of 2008 (73 FR 23367), on off-road PINs: a letter, never X, in position 9.
		{"1M8GDM9AAKP042788", PIN, 0, 0, "edit: a letter in position 9"},
		{"1M8GDM9AZKP042788", PIN, 0, 0, "edit: a letter in position 9"},
		// Older and foreign frame numbers have 8 to 16 characters: common practice, no source.
		{"AB12-1234", FrameNumber, 0, 0, "eight characters"},
		{"AB12-1234567", FrameNumber, 0, 0, "a chassis code and a serial number"},
		{"*IOQ0123456789012*", FrameNumber, 0, 0, "sixteen characters; I, O, Q are allowed here"},
		{"AB12345", Unrecognised, 0, 0, "seven characters"},
		{"", Unrecognised, 0, 0, "nothing"},
		{" -*- ", Unrecognised, 0, 0, "only separators"},
		{"AB12?1234", Unrecognised, 0, 0, "a sign that is neither letter nor digit"},
		{"1M8GDM9AXKP042788 1M8GDM9AXKP042788", Unrecognised, 0, 0, "written twice"},
		{"1M8GDM9AXKP04278\xff", Unreadable, 0, 0, "broken UTF-8"},
		{"1M8GDM9AXKP04278é", Unreadable, 0, 0, "not ASCII"},
		{strings.Repeat("1", 10_000), Unrecognised, 0, 0, "far too long"},
	}
	for _, test := range tests {
		got := Classify(test.give)
		name := test.give[:min(len(test.give), 40)]
		if got.Class != test.class || got.Computed != test.computed {
			t.Errorf("%s (%s): %v computing %q, want %v computing %q",
				name, test.source, got.Class, got.Computed, test.class, test.computed)
		}
		if test.sum != 0 {
			if p, _ := products(got.Text); sum(p) != test.sum {
				t.Errorf("%s (%s): sum %d, want %d", name, test.source, sum(p), test.sum)
			}
		}
		checkInvariants(t, test.give, got)
	}
}

func TestWritingDoesNotMatter(t *testing.T) {
	want := Classify("1M8GDM9AXKP042788")
	for _, give := range []string{
		"1m8gdm9axkp042788", " 1M8GDM9AXKP042788\r\n", "*1M8GDM9AXKP042788*",
		"1M8-GDM9AX-KP042788", "1M8 GDM9A X KP 042788", "\ufeff1M8GDM9AXKP042788", "1M8\u200bGDM9AXKP042788",
	} {
		if diff := cmp.Diff(want, Classify(give)); diff != "" {
			t.Errorf("%q (-want +got):\n%s", give, diff)
		}
	}
}

func TestMisreadsSayWhichAndWhere(t *testing.T) {
	got := Classify("WDBEA3QD3HA39I172")
	want := []Misread{{7, 'Q'}, {14, 'I'}}
	if diff := cmp.Diff(want, got.Misreads); diff != "" {
		t.Errorf("misreads (-want +got):\n%s", diff)
	}
	if got.Likely != "WDBEA30D3HA391172" {
		t.Errorf("likely %q, want the number with 0 and 1", got.Likely)
	}
	for _, part := range []string{"'Q' in position 7", "'I' in position 14", "WDBEA30D3HA391172"} {
		if !strings.Contains(strings.Join(got.Notes, " "), part) {
			t.Errorf("notes %q lack %q", got.Notes, part)
		}
	}
	// With 0 for Q and O this one computes 4 and carries 5: nothing to propose.
	if got := Classify("3FA6PQHR5DR24649O"); got.Likely != "" || len(got.Misreads) != 2 {
		t.Errorf("likely %q with %d misreads, want none with 2", got.Likely, len(got.Misreads))
	}
}

func TestWrongCheckDigitTellsWhereItIsADuty(t *testing.T) {
	american := Classify("3FA6P0HR5DR246490")
	if !american.NorthAmerican || american.Carried != '5' || american.Computed != '4' {
		t.Errorf("got %+v, want North American, carrying 5, computing 4", american)
	}
	if notes := strings.Join(american.Notes, " "); !strings.Contains(notes, "should be 4") || !strings.Contains(notes, "is 5") {
		t.Errorf("notes %q don't name both digits", notes)
	}
	// The same number of a maker whose first character is W (Europe).
	foreign := Classify("WDBEA30D4HA391172")
	if foreign.Class != VINCheckDigitWrong || foreign.NorthAmerican {
		t.Errorf("got %v, North American %v; want a wrong check digit elsewhere", foreign.Class, foreign.NorthAmerican)
	}
	if notes := strings.Join(foreign.Notes, " "); !strings.Contains(notes, "duty in North America only") {
		t.Errorf("notes %q don't say that the duty is North American", notes)
	}
}

func TestNorthAmericaIsOneToFive(t *testing.T) {
	// Region characters of ISO 3780, from memory: 1 to 5 North America, 6 and 7
	// Oceania, 8 and 9 South America, letters elsewhere.
	for _, c := range alphabet {
		got := Classify(string(c) + "M8GDM9A0KP042788")
		if want := strings.ContainsRune("12345", c); got.NorthAmerican != want {
			t.Errorf("%c: North American %v, want %v", c, got.NorthAmerican, want)
		}
	}
}

func TestMakerOfFewMachines(t *testing.T) {
	// 49 CFR 565.15(a): a 9 in position 3 always means a six-character maker
	// code in positions 1 to 3 and 12 to 14.
	if got := Classify("1J9RP1A36A1644345").MakerCode; got != "1J9644" {
		t.Errorf("maker %q, want 1J9644", got)
	}
	if got := Classify("1G4AH59H45G118341").MakerCode; got != "1G4" {
		t.Errorf("maker %q, want 1G4", got)
	}
}

func TestModelYears(t *testing.T) {
	// dev.to vin_lookup, "Mapping VIN Model Year Codes", and docs.rs, vin-decode
	// 0.3.3, year.rs; the text of 49 CFR 565.15, table VII, is from memory.
	want := map[byte]int{
		'A': 2010, 'B': 2011, 'C': 2012, 'D': 2013, 'E': 2014, 'F': 2015, 'G': 2016, 'H': 2017,
		'J': 2018, 'K': 2019, 'L': 2020, 'M': 2021, 'N': 2022, 'P': 2023, 'R': 2024, 'S': 2025,
		'T': 2026, 'V': 2027, 'W': 2028, 'X': 2029, 'Y': 2030, '1': 2031, '2': 2032, '3': 2033,
		'4': 2034, '5': 2035, '6': 2036, '7': 2037, '8': 2038, '9': 2039,
	}
	for code := range byte(128) {
		years, found := ModelYears(code)
		later, valid := want[code]
		if found != valid || found && years != [2]int{later - 30, later} {
			t.Errorf("ModelYears(%q) = %v, %v", code, years, found)
		}
	}
	if got := Classify("1M8GDM9AXKP042788").ModelYears; !slices.Equal(got, []int{1989, 2019}) {
		t.Errorf("K stands for %v, want 1989 and 2019", got)
	}
	if got := Classify("1M8GDM9AXUP042788"); got.ModelYears != nil {
		t.Errorf("U stands for %v, want none", got.ModelYears)
	}
}

const alphabet = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"

// notCheckDigit draws the index of a position other than 9.
var notCheckDigit = rapid.IntRange(0, 16).Filter(func(i int) bool { return i != 8 })

// anyVIN draws a number with the right check digit.
func anyVIN(t *rapid.T) string {
	b := []byte(rapid.StringOfN(rapid.RuneFrom([]rune(alphabet)), 17, 17, -1).Draw(t, "vin"))
	b[8], _ = CheckDigit(string(b))
	return string(b)
}

func TestEverySingleMistakeOfAnotherValueIsSeen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := []byte(anyVIN(t))
		i := notCheckDigit.Draw(t, "position")
		was, _ := value(rune(b[i]))
		b[i] = rapid.SampledFrom([]byte(alphabet)).Filter(func(c byte) bool {
			is, _ := value(rune(c))
			return is != was
		}).Draw(t, "character")
		if got := Classify(string(b)); got.Class != VINCheckDigitWrong {
			t.Fatalf("%s is %v", b, got.Class)
		}
	})
}

func TestBlindSpots(t *testing.T) {
	t.Run("positions of equal weight", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			b := []byte(anyVIN(t))
			i := rapid.IntRange(0, 6).Draw(t, "position")
			b[i], b[i+10] = b[i+10], b[i]
			if got := Classify(string(b)); got.Class != VIN {
				t.Fatalf("swap of %d and %d: %s is %v, want it unseen", i+1, i+11, b, got.Class)
			}
		})
	})
	t.Run("characters of equal value", func(t *testing.T) {
		groups := []string{"AJ1", "BKS2", "CLT3", "DMU4", "ENV5", "FW6", "GPX7", "HY8", "RZ9", "0"}
		rapid.Check(t, func(t *rapid.T) {
			b := []byte(anyVIN(t))
			i := notCheckDigit.Draw(t, "position")
			group := groups[slices.IndexFunc(groups, func(g string) bool { return strings.IndexByte(g, b[i]) >= 0 })]
			b[i] = rapid.SampledFrom([]byte(group)).Draw(t, "character")
			if got := Classify(string(b)); got.Class != VIN {
				t.Fatalf("%s is %v, want it unseen", b, got.Class)
			}
		})
	})
}

func TestClassNames(t *testing.T) {
	seen := map[string]bool{}
	for c := VIN; c <= Unrecognised; c++ {
		text, err := c.MarshalText()
		if err != nil || seen[string(text)] || strings.Contains(string(text), "(") {
			t.Errorf("class %d has the name %q, %v", c, text, err)
		}
		seen[string(text)] = true
	}
	if got := Class(0).String(); got != "Class(0)" {
		t.Errorf("zero class is %q", got)
	}
}

func FuzzClassify(f *testing.F) {
	for _, s := range []string{
		"1M8GDM9AXKP042788", "3FA6PQHR5DR24649O", "AB12-1234567", "\xff\xfe", "１Ｍ８", "ıſK",
		strings.Repeat("é", 17), strings.Repeat("\xff", 120), strings.Repeat(" ", 1000),
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkInvariants(t, s, Classify(s)) })
}

// checkInvariants holds for every input.
func checkInvariants(t *testing.T, give string, got Number) {
	t.Helper()
	if got.Class < VIN || got.Class > Unrecognised {
		t.Fatalf("%q has no class", give)
	}
	if got.Class != VIN && len(got.Notes) == 0 {
		t.Errorf("%q is %v without a note", give, got.Class)
	}
	if !utf8.ValidString(got.Text) || len(got.Text) > LengthMax {
		t.Errorf("%q gives the text %q", give, got.Text)
	}
	if (got.Class == Unreadable) != (len(got.Misreads) > 0) {
		t.Errorf("%q is %v with %d misreads", give, got.Class, len(got.Misreads))
	}
	if (got.Class == VIN) != (got.Carried != 0 && got.Carried == got.Computed) {
		t.Errorf("%q is %v carrying %q, computing %q", give, got.Class, got.Carried, got.Computed)
	}
	if got.Likely != "" && Classify(got.Likely).Class != VIN {
		t.Errorf("%q proposes %q, which is no VIN", give, got.Likely)
	}
	if len(give) > LengthMax {
		return
	}
	if diff := cmp.Diff(got, Classify(got.Text)); diff != "" {
		t.Errorf("%q: classifying %q again differs (-first +second):\n%s", give, got.Text, diff)
	}
}

func sum(products [17]int) int {
	total := 0
	for _, p := range products {
		total += p
	}
	return total
}
