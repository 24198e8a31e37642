// Package ident classifies the identification number on a frame: a vehicle
// identification number (VIN) whose check digit is right or wrong, a product
// identification number (PIN) of an off-road machine, an older or foreign frame
// number, or one that was misread. [Classify] never rejects: a machine with an
// odd number still needs its service, and the counter needs to know what to
// look at again.
//
// It guarantees:
//
//  1. Every input gets a class; every class but [VIN] comes with a note.
//  2. Classify of a returned Text gives the same class and text again, unless
//     the input was longer than [LengthMax].
//  3. No clock, no IO, no tables of makers.
//
// A right check digit does not prove a number: see [CheckDigit] for the
// mistakes that it can't see.
//
// Source of the layout, the values and the weights: 49 CFR 565.15 (content of
// a VIN) and its tables III to VII; off-road machines: since 2005 a PIN, by
// the American Association of Motor Vehicle Administrators' page on off-road
// PINs and SAE ITC's WMC/PIN programme.
package ident

import (
	"fmt"
	"strings"
	"unicode"

	"tickover/queue/said"
)

// LengthMax bounds the input in bytes; what lies beyond it is not looked at.
const LengthMax = 128

const vinLength = 17

// frameLengthMin and frameLengthMax bound the older and foreign frame numbers
// (8 to 16 characters; common practice, no source).
const frameLengthMin, frameLengthMax = 8, 16

// Class is what kind of number it is.
type Class uint8

const (
	// VIN has 17 characters and the right check digit.
	VIN Class = iota + 1
	// VINCheckDigitWrong has 17 characters and another check digit than the
	// one computed. It is a mistake only where check digits are a duty.
	VINCheckDigitWrong
	// PIN has 17 characters and a letter other than X in position 9, where a
	// North American VIN has its check digit: an off-road machine, or a VIN
	// of a maker elsewhere.
	PIN
	// FrameNumber has 8 to 16 letters and digits, as older and foreign
	// machines do. Nothing in it can be checked.
	FrameNumber
	// Unreadable has 17 characters, and among them some that no VIN or PIN
	// has, such as I, O or Q: read the plate again.
	Unreadable
	// Unrecognised is anything else: too short, too long, or other signs.
	Unrecognised
)

var classNames = [...]string{
	VIN: "vin", VINCheckDigitWrong: "vin_check_digit_wrong", PIN: "off_road_pin",
	FrameNumber: "frame_number", Unreadable: "unreadable", Unrecognised: "unrecognised",
}

// String is the name used in labels and JSON.
func (c Class) String() string {
	if c == 0 || int(c) >= len(classNames) {
		return fmt.Sprintf("Class(%d)", uint8(c))
	}
	return classNames[c]
}

// MarshalText writes [Class.String].
func (c Class) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Misread is a character that can't be in a VIN or PIN.
type Misread struct {
	Position  int // from 1, in Text
	Character rune
}

// Note is a sentence as a format and what goes into it.
type Note = said.Text

// Number is a classified identification number.
type Number struct {
	Class Class
	// Text is the number in capitals without blanks, hyphens, dots, asterisks
	// and invisible characters: the form to store, compare and print.
	Text string
	// Carried is position 9 and Computed what the check digit should be, '0'
	// to '9' or 'X'. Both are 0 unless the class is VIN or VINCheckDigitWrong.
	Carried, Computed byte
	// NorthAmerican reports that the first character (1 to 5 by ISO 3780, from
	// memory) assigns the maker to North America, where the check digit is a
	// duty. Only VIN, VINCheckDigitWrong and PIN have it.
	NorthAmerican bool
	// MakerCode is positions 1 to 3, and 12 to 14 too when a 9 in position 3
	// marks a maker of few machines. Empty unless the class is VIN or
	// VINCheckDigitWrong.
	MakerCode string
	// ModelYears are the two years that position 10 can mean, thirty years
	// apart; nil when it means none. A motorcycle's VIN does not tell which:
	// the rule that does covers cars and light trucks only (49 CFR 565.15(b)).
	// Only VIN and VINCheckDigitWrong have them.
	ModelYears []int
	// Misreads are set when the class is Unreadable.
	Misreads []Misread
	// Likely is the number with I read as 1 and O and Q as 0, if that gives a
	// VIN with the right check digit. It is a guess: look at the plate.
	Likely string
	// Notes are sentences for the counter.
	Notes []string
	// Words are Notes before they were put together, for another language.
	Words []Note `json:"-"`
}

// Normalise is the number as it is compared: [Number.Text] of Classify.
func Normalise(s string) string { return normalise(s[:min(len(s), LengthMax)]) }

// Key is what two readings of one number have in common: [Normalise] with the
// letters that are taken for digits as those digits, I as 1, O and Q as 0. No
// VIN or PIN has these letters, because they can't be told apart on a plate
// (ISO 3779; 49 CFR 565.13 says so too, from memory); of an older frame number
// nobody can tell which of the two was meant.
func Key(s string) string { return lookalikes.Replace(Normalise(s)) }

var lookalikes = strings.NewReplacer("I", "1", "O", "0", "Q", "0")

// Classify tells what kind of number s is. Case, blanks and separators don't
// matter.
func Classify(s string) Number {
	if len(s) > LengthMax {
		n := Number{Class: Unrecognised, Text: normalise(s[:LengthMax])}
		n.remark("Longer than %d characters: cut off there. Enter the frame number alone.", LengthMax)
		return n
	}
	n := Number{Text: normalise(s)}
	characters := []rune(n.Text)
	switch {
	case len(characters) == vinLength:
		n.classifySeventeen(characters)
	case len(characters) >= frameLengthMin && len(characters) <= frameLengthMax && lettersAndDigits(characters):
		n.Class = FrameNumber
		n.remark("%d characters: an older or foreign frame number, or a VIN with some missing. It has no check digit; compare it with the frame.", len(characters))
	default:
		n.Class = Unrecognised
		n.noteUnrecognised(characters)
	}
	return n
}

func (n *Number) classifySeventeen(characters []rune) {
	n.Misreads = misreads(characters)
	if len(n.Misreads) > 0 {
		n.Class = Unreadable
		n.noteMisreads()
		return
	}
	n.NorthAmerican = '1' <= n.Text[0] && n.Text[0] <= '5'
	computed, _ := CheckDigit(n.Text)
	carried := n.Text[8]
	switch {
	case isLetter(rune(carried)) && carried != 'X':
		n.Class = PIN
		n.remark("Position 9 is the letter %c: a product identification number of an off-road machine, which has no check digit, or the VIN of a maker outside North America.", carried)
		return
	case carried == computed:
		n.Class = VIN
	default:
		n.Class = VINCheckDigitWrong
		n.noteWrongCheckDigit(carried, computed)
	}
	n.Carried, n.Computed = carried, computed
	n.readMaker()
	n.readModelYear()
}

func (n *Number) readMaker() {
	n.MakerCode = n.Text[:3]
	if n.Text[2] == '9' {
		n.MakerCode += n.Text[11:14]
		n.remark("A 9 in position 3: a maker of few machines, named by positions 1 to 3 and 12 to 14 together.")
	}
}

// readModelYear reads position 10 by the thirty-year cycle of 49 CFR 565.15,
// table VII.
func (n *Number) readModelYear() {
	code := n.Text[9]
	years, found := ModelYears(code)
	if !found {
		n.remark("Position 10 is %c, which stands for no model year.", code)
		return
	}
	n.ModelYears = years[:]
	n.remark("Model year %d or %d by position 10 (%c); a motorcycle's number does not tell which.", years[0], years[1], code)
}

func (n *Number) noteWrongCheckDigit(carried, computed byte) {
	n.remark("Position 9 should be %c by the other sixteen characters, and is %c.", computed, carried)
	if n.NorthAmerican {
		n.remark("The first character says North America, where the check digit is a duty: compare every character with the frame.")
	} else {
		n.remark("A check digit is a duty in North America only: a machine made for another market may be right as it is. Compare it with the frame.")
	}
}

func (n *Number) noteMisreads() {
	found := make([]string, len(n.Misreads))
	for i, m := range n.Misreads {
		found[i] = fmt.Sprintf("%q in position %d", m.Character, m.Position)
	}
	n.remark("No VIN or PIN has %s. I, O and Q are never used, since they look like 1 and 0: read the frame again.", strings.Join(found, ", "))
	likely := strings.NewReplacer("I", "1", "O", "0", "Q", "0").Replace(n.Text)
	if digit, ok := CheckDigit(likely); ok && digit == likely[8] {
		n.Likely = likely
		n.remark("Read as 1 and 0 it is %s, whose check digit is right.", likely)
	}
}

func (n *Number) noteUnrecognised(characters []rune) {
	switch {
	case len(characters) == 0:
		n.remark("No number. If the frame has none that can be read, say so on the ticket.")
	case len(characters) < frameLengthMin:
		n.remark("Only %d characters: shorter than any frame number. Is it an engine or plate number?", len(characters))
	case len(characters) > vinLength:
		n.remark("%d characters: a VIN or PIN has 17. Are two numbers in one, or is one doubled?", len(characters))
	default:
		n.remark("It has signs other than letters and digits: enter the number as it is stamped.")
	}
}

func (n *Number) remark(format string, args ...any) {
	n.Notes = append(n.Notes, fmt.Sprintf(format, args...))
	n.Words = append(n.Words, said.Say(format, args...))
}

// modelYearCodes are the codes of 1980 to 2009, and again of 2010 to 2039.
const modelYearCodes = "ABCDEFGHJKLMNPRSTVWXY123456789"

// ModelYears are the two years of position 10: 1980 to 2009 and thirty years
// later. The characters 0, I, O, Q, U and Z stand for none.
func ModelYears(code byte) (years [2]int, found bool) {
	i := strings.IndexByte(modelYearCodes, code)
	if i < 0 {
		return years, false
	}
	return [2]int{1980 + i, 2010 + i}, true
}

// transliteration holds the values of A to Z, 0 for the letters never used
// (49 CFR 565, table III).
var transliteration = [26]int{
	1, 2, 3, 4, 5, 6, 7, 8, 0, // A…H, I
	1, 2, 3, 4, 5, 0, 7, 0, 9, // J…N, O, P, Q, R
	2, 3, 4, 5, 6, 7, 8, 9, // S…Z
}

// weights are the factors of positions 1 to 17 (49 CFR 565, table IV).
var weights = [vinLength]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// products are value times weight of each position.
func products(vin string) (p [vinLength]int, ok bool) {
	if len(vin) != vinLength {
		return p, false
	}
	for i, c := range []byte(vin) {
		v, ok := value(rune(c))
		if !ok {
			return p, false
		}
		p[i] = v * weights[i]
	}
	return p, true
}

// CheckDigit computes position 9 from the other sixteen characters of a VIN in
// normal form: the sum of value times weight, modulo 11, with X for 10. It
// reports false unless vin has 17 characters that a VIN may have.
//
// It can't see a swap of positions 1 and 11, 2 and 12, 3 and 13, 4 and 14, 5
// and 15, 6 and 16 or 7 and 17, which weigh the same, nor characters of equal
// value taken for each other: A J 1, B K S 2, C L T 3, D M U 4, E N V 5, F W 6,
// G P X 7, H Y 8, R Z 9.
func CheckDigit(vin string) (digit byte, ok bool) {
	p, ok := products(vin)
	if !ok {
		return 0, false
	}
	sum := 0
	for _, product := range p {
		sum += product
	}
	if r := sum % 11; r < 10 {
		return byte('0' + r), true
	}
	return 'X', true
}

// value transliterates a character; false for one that no VIN has.
func value(c rune) (int, bool) {
	switch {
	case '0' <= c && c <= '9':
		return int(c - '0'), true
	case isLetter(c) && c != 'I' && c != 'O' && c != 'Q':
		return transliteration[c-'A'], true
	}
	return 0, false
}

func misreads(characters []rune) []Misread {
	var m []Misread
	for i, c := range characters {
		if _, ok := value(c); !ok {
			m = append(m, Misread{i + 1, c})
		}
	}
	return m
}

func lettersAndDigits(characters []rune) bool {
	for _, c := range characters {
		if !isLetter(c) && (c < '0' || c > '9') {
			return false
		}
	}
	return true
}

func isLetter(c rune) bool { return 'A' <= c && c <= 'Z' }

// normalise makes ASCII letters capital and drops what people and stamps put
// between and around the characters. Broken UTF-8 becomes a question mark, so
// that it is noticed and nothing grows.
func normalise(s string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case 'a' <= c && c <= 'z':
			return c - 'a' + 'A'
		case strings.ContainsRune("-–.*_/", c), unicode.IsSpace(c), unicode.IsControl(c), unicode.Is(unicode.Cf, c):
			return -1
		case c == unicode.ReplacementChar:
			return '?'
		}
		return c
	}, s)
}
