package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nkeys"
)

// keysCmd makes the secrets of a deployment: an authority, certificates of the
// NATS nodes and of the roles, and a key for each role.
type keysCmd struct {
	Out   string        `help:"The new folder." required:"" type:"path"`
	Host  []string      `help:"Names and addresses of the NATS nodes." default:"node-a,node-b,node-c"`
	Bench []string      `help:"Benches with a laptop of their own, SITE/BENCH." placeholder:"SITE/BENCH" default:"larkmoor/b1"`
	Valid time.Duration `help:"How long the certificates are good." default:"17520h"`
}

// rolesWithKeys are those of deploy/nats/accounts.conf.
var rolesWithKeys = []string{"all", "dispatch", "floor", "bench", "backup"}

func (c *keysCmd) Run(io streams) error {
	// A folder that is there may hold keys in use.
	if err := os.Mkdir(c.Out, 0o700); err != nil {
		return fmt.Errorf("keys: %w; name a folder that is not there yet", err)
	}
	names := append([]string{}, rolesWithKeys...)
	for _, b := range c.Bench {
		site, bench, ok := strings.Cut(b, "/")
		if !ok || site == "" || bench == "" {
			return fmt.Errorf("--bench %q: write it as SITE/BENCH", b)
		}
		names = append(names, site+"_"+bench)
	}
	var env strings.Builder
	env.WriteString("# Public keys of the roles, for the environment of each NATS node.\n")
	for _, name := range names {
		pair, err := nkeys.CreateUser()
		if err != nil {
			return fmt.Errorf("keys: %w", err)
		}
		seed, err := pair.Seed()
		if err != nil {
			return fmt.Errorf("keys: %w", err)
		}
		public, err := pair.PublicKey()
		if err != nil {
			return fmt.Errorf("keys: %w", err)
		}
		if err := c.write(name+".nk", seed, 0o600); err != nil {
			return err
		}
		fmt.Fprintf(&env, "TICKOVER_KEY_%s=%s\n", strings.ToUpper(strings.ReplaceAll(name, "-", "_")), public)
	}
	if err := c.write("nats-keys.env", []byte(env.String()), 0o644); err != nil {
		return err
	}
	if err := c.certificates(); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	_, err := fmt.Fprintf(io.out, "%s: an authority, certificates for %s, keys of %s.\n"+
		"Put node.pem, its key, ca.pem and the lines of nats-keys.env on the NATS nodes; ROLE.nk, client.pem, its key and ca.pem where the role runs.\n"+
		"Keep ca.key apart: with it new certificates can be made, by you or by a thief.\n", c.Out, strings.Join(c.Host, ", "), strings.Join(names, ", "))
	return err
}

func (c *keysCmd) write(name string, b []byte, mode fs.FileMode) error {
	if err := os.WriteFile(filepath.Join(c.Out, name), b, mode); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	return nil
}

func (c *keysCmd) certificates() error {
	ca := &x509.Certificate{
		Subject: pkix.Name{CommonName: "Tickover deployment"}, IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	caKey, err := c.certificate("ca", ca, nil, nil)
	if err != nil {
		return err
	}
	node := &x509.Certificate{
		Subject: pkix.Name{CommonName: "node"}, KeyUsage: x509.KeyUsageDigitalSignature,
		// A node is a server, and a client of the two others.
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	for _, h := range c.Host {
		if ip := net.ParseIP(h); ip != nil {
			node.IPAddresses = append(node.IPAddresses, ip)
		} else {
			node.DNSNames = append(node.DNSNames, h)
		}
	}
	if _, err := c.certificate("node", node, ca, caKey); err != nil {
		return err
	}
	client := &x509.Certificate{
		Subject: pkix.Name{CommonName: "client"}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	_, err = c.certificate("client", client, ca, caKey)
	return err
}

// certificate makes a key and a certificate signed by the authority, or by
// itself, and writes both.
func (c *keysCmd) certificate(name string, t, by *x509.Certificate, byKey *ecdsa.PrivateKey) (*ecdsa.PrivateKey, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	if t.SerialNumber, err = rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120)); err != nil {
		return nil, err
	}
	t.NotBefore = time.Now().Add(-time.Hour)
	t.NotAfter = time.Now().Add(c.Valid)
	if by == nil {
		by, byKey = t, key
	}
	der, err := x509.CreateCertificate(rand.Reader, t, by, &key.PublicKey, byKey)
	if err != nil {
		return nil, err
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	if err := c.write(name+".pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644); err != nil {
		return nil, err
	}
	keyFile := name + ".pem.key"
	if name == "ca" {
		keyFile = "ca.key"
	}
	return key, c.write(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: raw}), 0o600)
}
