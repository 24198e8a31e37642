package access

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// TestArgon2idVectors: the hashes that the reference implementation of Argon2
// (P-H-C/phc-winner-argon2, src/test.c, Argon2id, version 0x13) has for its own
// tests. The one vector of RFC 9106, section 5.3, has a secret and associated
// data, which the library's function does not take; the library's own tests
// have it.
func TestArgon2idVectors(t *testing.T) {
	for _, v := range []struct {
		t, log2m uint32
		p        uint8
		hex      string
	}{
		{2, 16, 1, "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"},
		{2, 8, 1, "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe"},
	} {
		h := Hash{1 << v.log2m, v.t, v.p}
		tag, err := hex.DecodeString(v.hex)
		if err != nil {
			t.Fatal(err)
		}
		stored := h.encode([]byte("somesalt"), tag)
		right, current, err := checkPassword(h, stored, "password")
		if err != nil || !right || !current {
			t.Errorf("%s: right %v, current %v, %v", stored, right, current, err)
		}
		if right, _, _ := checkPassword(h, stored, "Password"); right {
			t.Errorf("%s: a wrong password is right", stored)
		}
	}
	// The string form of the same, as that program prints it.
	const printed = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	if right, current, err := checkPassword(RFC9106Second, printed, "password"); err != nil || !right || current {
		t.Errorf("printed form: right %v, current %v, %v", right, current, err)
	}
}

func TestHashing(t *testing.T) {
	h := Hash{64, 1, 2}
	a, err := hashPassword(h, rand.Reader, "pæss wörd")
	if err != nil {
		t.Fatal(err)
	}
	b, err := hashPassword(h, rand.Reader, "pæss wörd")
	if err != nil || a == b {
		t.Fatalf("two hashes of one password are the same: %s, %v", a, err)
	}
	if right, current, err := checkPassword(h, a, "pæss wörd"); err != nil || !right || !current {
		t.Error(right, current, err)
	}
	if _, current, _ := checkPassword(RFC9106Second, a, "pæss wörd"); current {
		t.Error("old parameters are called current")
	}
	if got, _, _, err := readHash(a); err != nil || got != h {
		t.Error(got, err)
	}
}

func TestDamagedHashes(t *testing.T) {
	for _, s := range []string{"", "x", "$argon2i$v=19$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=16$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=4294967295,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=64,t=0,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=64,t=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=64,t=1,p=1,x=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$", "$argon2id$v=19$m=64,t=1,p=1$$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"} {
		if _, _, err := checkPassword(Hash{64, 1, 1}, s, "password"); !errors.Is(err, errHash) {
			t.Errorf("%s: %v", s, err)
		}
	}
}

// FuzzReadHash: whatever stands in the store, reading it ends, and what can be
// read is written the same and costs no more than is allowed.
func FuzzReadHash(f *testing.F) {
	f.Add("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Add("$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$")
	f.Fuzz(func(t *testing.T, s string) {
		h, salt, tag, err := readHash(s)
		if err != nil {
			return
		}
		if h.MemoryKiB > memoryMaxKiB || h.Passes > passesMax || h.Passes < 1 || h.Lanes < 1 {
			t.Errorf("%q costs %+v", s, h)
		}
		h2, salt2, tag2, err := readHash(h.encode(salt, tag))
		if err != nil || h2 != h || string(salt2) != string(salt) || string(tag2) != string(tag) {
			t.Errorf("%q comes back as %q: %v", s, h.encode(salt, tag), err)
		}
	})
}

func TestChosenPasswords(t *testing.T) {
	for _, bad := range []string{"", "short", "123456789", "passwordpassword", "aaaaaaaaaaaaaaaa", "abcdefghijklmnop", "Passwort123!", "larkmoor-ruth", "9876543210", "tickover2026", strings.Repeat("x7", 101), "nul\x00 byte and more"} {
		var weak *InvalidError
		if err := checkChosen(bad, "ruth", "larkmoor"); !errors.As(err, &weak) || weak.Do == "" {
			t.Errorf("%q is taken: %v", bad, err)
		}
	}
	for _, good := range []string{"quiet heron under glass", "Tr4il-mud&rain", "die Kette muss geölt sein", "日本語のパスワードです長い", strings.Repeat("wörter ", 20)} {
		if err := checkChosen(good, "ruth"); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
}

// BenchmarkSignIn is what one password costs with the parameters in use.
func BenchmarkSignIn(b *testing.B) {
	h := RFC9106Second
	stored := h.encode([]byte("0123456789abcdef"), argon2.IDKey([]byte("password"), []byte("0123456789abcdef"), h.Passes, h.MemoryKiB, h.Lanes, tagBytes))
	for b.Loop() {
		if right, _, err := checkPassword(h, stored, "password"); err != nil || !right {
			b.Fatal(right, err)
		}
	}
}

// TestPublishedPasswords: what leaks have most often is refused, whatever digits
// stand around it; what nobody has is not.
func TestPublishedPasswords(t *testing.T) {
	if n := len(published()); n < 10_000 {
		t.Fatalf("only %d passwords are published", n)
	}
	n := 0
	for p := range published() {
		if utf8.RuneCountInString(p) >= PasswordMin {
			if n++; checkChosen(p) == nil {
				t.Errorf("%q is let through", p)
			}
		}
	}
	if n < 50 {
		t.Errorf("only %d of them are long enough to be tried", n)
	}
	for _, p := range []string{"mustang-2024!", "Thunderbird77", "1qaz2wsx1qaz2wsx", "99mustang99"} {
		if checkChosen(p) == nil {
			t.Errorf("%q is let through", p)
		}
	}
	for _, p := range []string{"quiet heron under glass", "drei graue eimer wasser", "tarn-gorse-9-lintel"} {
		if err := checkChosen(p); err != nil {
			t.Errorf("%q: %v", p, err)
		}
	}
}
