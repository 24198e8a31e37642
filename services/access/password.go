package access

import (
	"context"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"github.com/trustelem/zxcvbn/frequency"
	"golang.org/x/crypto/argon2"
)

// Bounds of a password. Length is what counts; nothing is asked of its
// characters, and all of it is compared (OWASP ASVS 5.0, from memory V6.2; NIST SP 800-63B,
// 3.1.1.2).
const (
	PasswordMin      = 10  // characters
	PasswordMax      = 200 // characters; the bound keeps a request small
	passwordBytesMax = 4 * PasswordMax
)

// Hash says how a password is hashed with argon2id, RFC 9106.
type Hash struct {
	MemoryKiB uint32
	Passes    uint32
	Lanes     uint8
}

// RFC9106Second is the second recommended option of RFC 9106, section 4, for
// where memory is short: 64 MiB, three passes, four lanes.
var RFC9106Second = Hash{MemoryKiB: 64 << 10, Passes: 3, Lanes: 4}

const (
	saltBytes = 16
	tagBytes  = 32
	// Bounds of what a stored hash may ask for, so that a damaged one costs no
	// more than a second or two.
	memoryMaxKiB = 1 << 20
	passesMax    = 16
	// hashesAtOnce bounds the memory that guessing can take.
	hashesAtOnce = 2
)

var errHash = errors.New("stored password hash is unreadable")

// hashPassword returns the PHC string of the password's hash.
func hashPassword(h Hash, random io.Reader, password string) (string, error) {
	salt := make([]byte, saltBytes)
	if _, err := io.ReadFull(random, salt); err != nil {
		return "", fmt.Errorf("access: no randomness: %w", err)
	}
	return h.encode(salt, argon2.IDKey([]byte(password), salt, h.Passes, h.MemoryKiB, h.Lanes, tagBytes)), nil
}

func (h Hash) encode(salt, tag []byte) string {
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.MemoryKiB, h.Passes, h.Lanes, b64(salt), b64(tag))
}

// readHash is the reverse of encode.
func readHash(s string) (h Hash, salt, tag []byte, err error) {
	parts := strings.Split(s, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return h, nil, nil, errHash
	}
	var m, t, p uint64
	for i, f := range strings.Split(parts[3], ",") {
		if i > 2 {
			return h, nil, nil, errHash
		}
		to := []*uint64{&m, &t, &p}[i]
		digits, ok := strings.CutPrefix(f, []string{"m=", "t=", "p="}[i])
		if !ok {
			return h, nil, nil, errHash
		}
		if *to, err = strconv.ParseUint(digits, 10, 32); err != nil {
			return h, nil, nil, errHash
		}
	}
	if t < 1 || t > passesMax || p < 1 || p > 255 || m < 8*p || m > memoryMaxKiB {
		return h, nil, nil, errHash
	}
	salt, err1 := base64.RawStdEncoding.Strict().DecodeString(parts[4])
	tag, err2 := base64.RawStdEncoding.Strict().DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(salt) < 8 || len(tag) < 16 || len(salt) > 64 || len(tag) > 64 {
		return h, nil, nil, errHash
	}
	return Hash{uint32(m), uint32(t), uint8(p)}, salt, tag, nil
}

// checkPassword reports whether the password has the hash, and whether the hash
// is one of h.
func checkPassword(h Hash, stored, password string) (right, current bool, err error) {
	was, salt, tag, err := readHash(stored)
	if err != nil {
		return false, false, err
	}
	got := argon2.IDKey([]byte(password), salt, was.Passes, was.MemoryKiB, was.Lanes, uint32(len(tag)))
	return subtle.ConstantTimeCompare(got, tag) == 1, was == h && len(tag) == tagBytes, nil
}

// published are the passwords that leaks have most often, some 30,000: the list of
// the strength estimator zxcvbn (Wheeler, USENIX Security 2016).
var published = sync.OnceValue(func() map[string]bool {
	list := frequency.FrequencyLists["passwords"]
	set := make(map[string]bool, len(list))
	for _, p := range list {
		set[p] = true
	}
	return set
})

// listed reports whether a password is a published one, twice one, or one with
// digits and signs around it.
func listed(password string) bool {
	lower := strings.ToLower(password)
	core := strings.TrimFunc(lower, func(r rune) bool { return !unicode.IsLetter(r) })
	half := lower[:len(lower)/2]
	return published()[lower] || published()[core] || half == lower[len(lower)/2:] && published()[half]
}

// commonPieces are what most guessed passwords are made of.
var commonPieces = []string{"password", "passwort", "qwerty", "qwertz", "asdf", "letmein", "welcome", "willkommen", "admin", "tickover", "workshop", "werkstatt", "motorcycle", "motorrad", "abc", "iloveyou", "sommer", "summer", "winter", "changeme", "geheim", "secret", "test"}

// checkChosen refuses a password that is short, published, or little more than a
// common word, the account's own names, a run or a repetition.
func checkChosen(password string, names ...string) error {
	switch n := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password) || strings.ContainsFunc(password, unicode.IsControl):
		return wrong("password", "the password has characters that can't be typed again", "Use letters, digits, spaces and signs.")
	case n < PasswordMin:
		return wrong("password", "the password is shorter than 10 characters", "Take a longer one: three or four words that do not belong together are easy to keep.")
	case n > PasswordMax:
		return wrong("password", "the password is longer than 200 characters", "Take a shorter one.")
	}
	rest := strings.ToLower(password)
	for _, piece := range append(commonPieces, names...) {
		if piece = strings.ToLower(piece); len(piece) >= 3 {
			rest = strings.ReplaceAll(rest, piece, "")
		}
	}
	if fresh(rest) < 5 || listed(password) {
		return wrong("password", "this password is among the first that are guessed", "Take one without names, common words, and rows of digits: three or four words that do not belong together.")
	}
	return nil
}

// fresh counts the characters that neither repeat nor continue the one before.
func fresh(s string) int {
	n := 0
	var last rune
	seen := map[rune]bool{}
	for _, r := range s {
		if d := r - last; (d < -1 || d > 1) && !seen[r] {
			n++
		}
		last, seen[r] = r, true
	}
	return n
}

// hasher bounds how much is hashed at once.
type hasher chan struct{}

func (h hasher) do(ctx context.Context, work func()) error {
	select {
	case h <- struct{}{}:
		defer func() { <-h }()
		work()
		return nil
	case <-ctx.Done():
		return fmt.Errorf("access: too many passwords are checked at once: %w", ctx.Err())
	}
}
