// Package lan makes the certificates of a shop that has none: an authority of
// its own, for the names and addresses of one local network, and the server's
// certificate by it.
//
//	a, err := lan.Open(dir, lan.Names{DNS: []string{"shop.local"}}, time.Now, rand.Reader)
//	conf := &tls.Config{GetCertificate: a.GetCertificate}
//
// What it guarantees:
//
//  1. The authority is constrained (RFC 5280, 4.2.1.10) to the names that it was
//     made for, to loopback names and to private addresses, so that a phone that
//     trusts it trusts it for nothing else. What the shop needs beyond them makes
//     a new authority, and says so.
//  2. Keys stay in the directory, readable by the owner of the process only.
//  3. The server's certificate is renewed in time and on a change of addresses,
//     without a restart and without anything to do on the phones.
//
// [Files] serves a certificate from files instead, and reads them again when
// they change.
package lan

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// Lives of certificates. Phones refuse a server's certificate of more than 825
// days by an authority that a person installed, so it stays well below.
const (
	authorityLife = 10 * 365 * 24 * time.Hour
	leafLife      = 397 * 24 * time.Hour
	renewBefore   = 60 * 24 * time.Hour
	backdate      = 24 * time.Hour // clocks of phones differ
)

const (
	authorityCert = "authority.crt"
	authorityKey  = "authority.key"
)

// Names are what the server is called in its network.
type Names struct {
	DNS []string
	IPs []net.IP
}

// Authority signs the server's certificate.
type Authority struct {
	dir    string
	now    func() time.Time
	random io.Reader
	names  Names
	cert   *x509.Certificate
	key    *ecdsa.PrivateKey
	// New reports that the authority was made just now.
	New bool

	mu   sync.Mutex
	leaf *tls.Certificate
}

// Open reads the authority of the directory, or makes it.
func Open(dir string, names Names, now func() time.Time, random io.Reader) (*Authority, error) {
	a := &Authority{dir: dir, now: now, random: random, names: names.with()}
	err := a.read()
	if errors.Is(err, fs.ErrNotExist) {
		err = a.make()
	}
	if err != nil {
		return nil, fmt.Errorf("certificates in %s: %w", dir, err)
	}
	if out := a.outside(); len(out) > 0 {
		return nil, fmt.Errorf("certificates in %s: the authority there was made without %s, and phones trust it for nothing else; remove the folder, start again, and install the new authority on the phones", dir, strings.Join(out, ", "))
	}
	if !a.now().Before(a.cert.NotAfter.Add(-renewBefore)) {
		return nil, fmt.Errorf("certificates in %s: the authority ends on %s; remove the folder, start again, and install the new authority on the phones", dir, a.cert.NotAfter.Format(time.DateOnly))
	}
	_, err = a.GetCertificate(nil)
	return a, err
}

// with adds what every shop's server is called.
func (n Names) with() Names {
	out := Names{slices.Clone(n.DNS), slices.Clone(n.IPs)}
	for i, name := range out.DNS {
		out.DNS[i] = strings.ToLower(strings.TrimSuffix(name, "."))
	}
	out.DNS = append(out.DNS, "localhost")
	out.IPs = append(out.IPs, net.IPv4(127, 0, 0, 1), net.IPv6loopback)
	slices.Sort(out.DNS)
	out.DNS = slices.Compact(out.DNS)
	slices.SortFunc(out.IPs, func(x, y net.IP) int { return bytes.Compare(x.To16(), y.To16()) })
	out.IPs = slices.CompactFunc(out.IPs, net.IP.Equal)
	return out
}

// private are the addresses of local networks: RFC 1918, RFC 4193, link-local,
// loopback.
func private() []*net.IPNet {
	var out []*net.IPNet
	for _, s := range []string{"10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8", "fc00::/7", "fe80::/10", "::1/128"} {
		_, n, err := net.ParseCIDR(s)
		if err != nil {
			panic(err) // the list above is wrong
		}
		out = append(out, n)
	}
	return out
}

func (a *Authority) make() error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), a.random)
	if err != nil {
		return err
	}
	now := a.now()
	ranges := private()
	for _, ip := range a.names.IPs {
		if !slices.ContainsFunc(ranges, func(n *net.IPNet) bool { return n.Contains(ip) }) {
			bits := 8 * len(shortest(ip))
			ranges = append(ranges, &net.IPNet{IP: shortest(ip), Mask: net.CIDRMask(bits, bits)})
		}
	}
	t := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Tickover of " + a.names.first(), Organization: []string{"Tickover, this shop's own"}},
		NotBefore: now.Add(-backdate), NotAfter: now.Add(authorityLife),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true,
		KeyUsage:                    x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: a.names.DNS, PermittedIPRanges: ranges,
	}
	if t.SerialNumber, err = a.serial(); err != nil {
		return err
	}
	der, err := x509.CreateCertificate(a.random, t, t, key.Public(), key)
	if err != nil {
		return err
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		return err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(a.dir, 0o700); err != nil {
		return err
	}
	// The key first: a certificate without its key would stop every start.
	if err := write(filepath.Join(a.dir, authorityKey), "PRIVATE KEY", private); err != nil {
		return err
	}
	a.key, a.New = key, true
	return write(filepath.Join(a.dir, authorityCert), "CERTIFICATE", der)
}

func shortest(ip net.IP) net.IP {
	if v4 := ip.To4(); v4 != nil {
		return v4
	}
	return ip.To16()
}

func (n Names) first() string {
	for _, name := range n.DNS {
		if name != "localhost" {
			return name
		}
	}
	for _, ip := range n.IPs {
		if !ip.IsLoopback() {
			return ip.String()
		}
	}
	return "this machine"
}

func write(path, kind string, der []byte) error {
	f, err := os.OpenFile(path+".new", os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	err = errors.Join(pem.Encode(f, &pem.Block{Type: kind, Bytes: der}), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

func (a *Authority) read() error {
	text, err := os.ReadFile(filepath.Join(a.dir, authorityCert))
	if err != nil {
		return err
	}
	keyText, err := os.ReadFile(filepath.Join(a.dir, authorityKey))
	if errors.Is(err, fs.ErrNotExist) {
		return errors.New("the authority's key is gone; restore it, or remove the folder to make a new authority")
	}
	if err != nil {
		return err
	}
	pair, err := tls.X509KeyPair(text, keyText)
	if err != nil {
		return fmt.Errorf("the authority can't be read: %w", err)
	}
	if a.cert, err = x509.ParseCertificate(pair.Certificate[0]); err != nil {
		return err
	}
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok || !a.cert.IsCA {
		return errors.New("what is there is no authority that this program made")
	}
	a.key = key
	return nil
}

// outside are the names for which the authority does not count.
func (a *Authority) outside() []string {
	var out []string
	for _, name := range a.names.DNS {
		if !slices.ContainsFunc(a.cert.PermittedDNSDomains, func(d string) bool { return name == d || strings.HasSuffix(name, "."+d) }) {
			out = append(out, name)
		}
	}
	for _, ip := range a.names.IPs {
		if !slices.ContainsFunc(a.cert.PermittedIPRanges, func(n *net.IPNet) bool { return n.Contains(ip) }) {
			out = append(out, ip.String())
		}
	}
	return out
}

func (a *Authority) serial() (*big.Int, error) {
	b := make([]byte, 16)
	if _, err := io.ReadFull(a.random, b); err != nil {
		return nil, err
	}
	b[0] &= 0x7f
	return new(big.Int).SetBytes(b), nil
}

// GetCertificate is the server's certificate, a new one when the old one is
// about to end.
func (a *Authority) GetCertificate(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.leaf != nil && a.now().Before(a.leaf.Leaf.NotAfter.Add(-renewBefore)) {
		return a.leaf, nil
	}
	leaf, err := a.sign()
	if err != nil {
		return nil, fmt.Errorf("certificate of the server: %w", err)
	}
	a.leaf = leaf
	return leaf, nil
}

// sign makes a certificate of the server; its key is in memory only.
func (a *Authority) sign() (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), a.random)
	if err != nil {
		return nil, err
	}
	now := a.now()
	end := now.Add(leafLife)
	if end.After(a.cert.NotAfter) {
		end = a.cert.NotAfter
	}
	t := &x509.Certificate{
		Subject: pkix.Name{CommonName: a.names.first()}, DNSNames: a.names.DNS, IPAddresses: a.names.IPs,
		NotBefore: now.Add(-backdate), NotAfter: end, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	if t.SerialNumber, err = a.serial(); err != nil {
		return nil, err
	}
	der, err := x509.CreateCertificate(a.random, t, a.cert, key.Public(), a.key)
	if err != nil {
		return nil, err
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	return &tls.Certificate{Certificate: [][]byte{der, a.cert.Raw}, PrivateKey: key, Leaf: leaf}, nil
}

// Certificate is the authority's own, as phones install it (DER).
func (a *Authority) Certificate() []byte { return a.cert.Raw }

// Fingerprint is the SHA-256 of the authority's certificate as phones show it.
func (a *Authority) Fingerprint() string { return fingerprint(a.cert.Raw) }

func fingerprint(der []byte) string {
	h := sha256.Sum256(der)
	text := strings.ToUpper(hex.EncodeToString(h[:]))
	var pairs []string
	for i := 0; i < len(text); i += 2 {
		pairs = append(pairs, text[i:i+2])
	}
	return strings.Join(pairs, ":")
}

// Local are this machine's names and addresses in its networks.
func Local(more ...string) (Names, error) {
	var n Names
	for _, s := range more {
		if ip := net.ParseIP(s); ip != nil {
			n.IPs = append(n.IPs, ip)
		} else if s != "" {
			n.DNS = append(n.DNS, s)
		}
	}
	if host, err := os.Hostname(); err == nil && host != "" {
		host, _, _ = strings.Cut(strings.ToLower(host), ".")
		n.DNS = append(n.DNS, host, host+".local")
	}
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		return n, fmt.Errorf("addresses of this machine: %w", err)
	}
	ranges := private()
	for _, a := range addresses {
		if ip, ok := a.(*net.IPNet); ok && !ip.IP.IsLoopback() && !ip.IP.IsLinkLocalUnicast() && slices.ContainsFunc(ranges, func(n *net.IPNet) bool { return n.Contains(ip.IP) }) {
			n.IPs = append(n.IPs, ip.IP)
		}
	}
	return n, nil
}
