package lan_test

import (
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/services/access/lan"
)

var names = lan.Names{DNS: []string{"shop.local"}, IPs: []net.IP{net.IPv4(192, 168, 7, 20)}}

func open(t *testing.T, dir string, n lan.Names, now time.Time) *lan.Authority {
	t.Helper()
	a, err := lan.Open(dir, n, func() time.Time { return now }, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestPhonesTrustTheServer: what trusts the authority trusts the server under
// each of its names, by crypto/x509 and by the openssl program.
func TestPhonesTrustTheServer(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	a := open(t, dir, names, now)
	if !a.New {
		t.Error("not new")
	}
	pool := x509.NewCertPool()
	ca, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(ca)
	leaf, err := a.GetCertificate(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"shop.local", "192.168.7.20", "localhost", "127.0.0.1", "::1"} {
		if _, err := leaf.Leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: name}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := leaf.Leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: "other.example"}); err == nil {
		t.Error("trusted for another name")
	}
	if life := leaf.Leaf.NotAfter.Sub(leaf.Leaf.NotBefore); life > 825*24*time.Hour {
		t.Errorf("the certificate lives %s; phones refuse more than 825 days", life)
	}
	chain := filepath.Join(t.TempDir(), "leaf.pem")
	if err := os.WriteFile(chain, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: leaf.Certificate[0]}), 0o600); err != nil {
		t.Fatal(err)
	}
	if openssl, err := exec.LookPath("openssl"); err == nil {
		for arg, want := range map[string]bool{"-verify_ip=192.168.7.20": true, "-verify_hostname=shop.local": true, "-verify_hostname=other.example": false} {
			flag, value, _ := strings.Cut(arg, "=")
			out, err := exec.Command(openssl, "verify", "-x509_strict", "-CAfile", filepath.Join(dir, "authority.crt"), flag, value, chain).CombinedOutput()
			if (err == nil) != want {
				t.Errorf("openssl %s: %v\n%s", arg, err, out)
			}
		}
	} else {
		t.Log("no openssl here: only crypto/x509 was asked")
	}
	for _, f := range []string{"authority.key", "authority.crt"} {
		if info, err := os.Stat(filepath.Join(dir, f)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", f, info.Mode(), err)
		}
	}
	again := open(t, dir, names, now)
	if again.New || again.Fingerprint() != a.Fingerprint() || len(a.Fingerprint()) != 95 {
		t.Errorf("after a restart: %v %s", again.New, again.Fingerprint())
	}
}

// TestTheAuthorityIsConstrained: whoever steals its key can't make a
// certificate for another name that a phone would take (RFC 5280, 4.2.1.10).
func TestTheAuthorityIsConstrained(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	a := open(t, dir, names, now)
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, "authority.crt"), filepath.Join(dir, "authority.key"))
	if err != nil {
		t.Fatal(err)
	}
	ca, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(ca)
	own, err := a.GetCertificate(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, forged := range []x509.Certificate{
		{DNSNames: []string{"bank.example"}},
		{IPAddresses: []net.IP{net.IPv4(8, 8, 8, 8)}},
		{DNSNames: []string{"shop.local", "bank.example"}},
	} {
		forged.SerialNumber, forged.NotBefore, forged.NotAfter = own.Leaf.SerialNumber, own.Leaf.NotBefore, own.Leaf.NotAfter
		der, err := x509.CreateCertificate(rand.Reader, &forged, ca, own.Leaf.PublicKey, pair.PrivateKey)
		if err != nil {
			t.Fatal(err)
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Verify(x509.VerifyOptions{Roots: pool, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny}}); err == nil {
			t.Errorf("%v %v is trusted", forged.DNSNames, forged.IPAddresses)
		}
	}
}

func TestRenewal(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	a, err := lan.Open(dir, names, func() time.Time { return now }, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	first, _ := a.GetCertificate(nil)
	now = now.Add(300 * 24 * time.Hour)
	if same, _ := a.GetCertificate(nil); same != first {
		t.Error("renewed too early")
	}
	now = now.Add(60 * 24 * time.Hour)
	next, err := a.GetCertificate(nil)
	if err != nil || next == first || !next.Leaf.NotAfter.After(now.Add(300*24*time.Hour)) {
		t.Errorf("not renewed: %v", err)
	}
	// Other addresses need the same authority, another name a new one.
	moved := lan.Names{DNS: names.DNS, IPs: []net.IP{net.IPv4(10, 1, 2, 3)}}
	if b := open(t, dir, moved, now); b.Fingerprint() != a.Fingerprint() {
		t.Error("another address made another authority")
	}
	for what, n := range map[string]lan.Names{"another.local": {DNS: []string{"another.local"}}, "203.0.113.9": {IPs: []net.IP{net.IPv4(203, 0, 113, 9)}}} {
		if _, err := lan.Open(dir, n, func() time.Time { return now }, rand.Reader); err == nil || !strings.Contains(err.Error(), what) || !strings.Contains(err.Error(), "remove the folder") {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := lan.Open(dir, names, func() time.Time { return now.Add(20 * 365 * 24 * time.Hour) }, rand.Reader); err == nil || !strings.Contains(err.Error(), "remove the folder") {
		t.Errorf("an authority that has ended: %v", err)
	}
	if err := os.Remove(filepath.Join(dir, "authority.key")); err != nil {
		t.Fatal(err)
	}
	if _, err := lan.Open(dir, names, func() time.Time { return now }, rand.Reader); err == nil || !strings.Contains(err.Error(), "key is gone") {
		t.Errorf("a lost key: %v", err)
	}
}

func TestFilesAreReadAgain(t *testing.T) {
	now := time.Now()
	put := func(dir string, a *lan.Authority) (cert, key string) {
		leaf, err := a.GetCertificate(nil)
		if err != nil {
			t.Fatal(err)
		}
		der, err := x509.MarshalPKCS8PrivateKey(leaf.PrivateKey)
		if err != nil {
			t.Fatal(err)
		}
		cert, key = filepath.Join(dir, "c.pem"), filepath.Join(dir, "k.pem")
		for name, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: leaf.Certificate[0]}, key: {Type: "PRIVATE KEY", Bytes: der}} {
			if err := os.WriteFile(name, pem.EncodeToMemory(b), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return cert, key
	}
	dir := t.TempDir()
	cert, key := put(dir, open(t, t.TempDir(), names, now))
	f, err := lan.OpenFiles(cert, key, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	var trouble error
	f.Trouble = func(err error) { trouble = err }
	first, _ := f.GetCertificate(nil)
	put(dir, open(t, t.TempDir(), names, now))
	now = now.Add(time.Minute)
	second, err := f.GetCertificate(nil)
	if err != nil || second == first || trouble != nil {
		t.Fatalf("not read again: %v, %v", err, trouble)
	}
	if err := os.WriteFile(cert, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	now = now.Add(time.Minute)
	if third, err := f.GetCertificate(nil); err != nil || third != second || trouble == nil {
		t.Errorf("a half written file: %v, %v", err, trouble)
	}
	if _, err := lan.OpenFiles(cert, key, func() time.Time { return now }); err == nil || !strings.Contains(err.Error(), cert) {
		t.Errorf("an unreadable file at the start: %v", err)
	}
}
