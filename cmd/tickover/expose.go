package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/base64"
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/services/access"
	"tickover/services/access/lan"
	"tickover/services/access/provider"
	"tickover/services/floor"
)

// tlsFlags say how other machines reach the pages.
type tlsFlags struct {
	TLSCert       string   `help:"Certificate with its chain (PEM) for the pages; read again when it changes." type:"existingfile" placeholder:"FILE" name:"tls-cert"`
	TLSKey        string   `help:"Its key (PEM)." type:"existingfile" placeholder:"FILE" name:"tls-key"`
	LanTLS        bool     `help:"Use certificates of the shop's own making, for phones in its network." name:"lan-tls"`
	Host          []string `help:"Further names or addresses under which the pages are opened." placeholder:"NAME"`
	Redirect      string   `help:"Also listen here on plain HTTP, to lead browsers to the TLS address and to hand the shop's certificate out, for example :80." placeholder:"ADDRESS"`
	ForceInsecure bool     `help:"Listen beyond this machine although people do not sign in, or without TLS. Whoever is in the network can then press every button."`
}

func (f *tlsFlags) check() error {
	switch {
	case (f.TLSCert == "") != (f.TLSKey == ""):
		return fmt.Errorf("--tls-cert and --tls-key go together: give both")
	case f.TLSCert != "" && f.LanTLS:
		return fmt.Errorf("--lan-tls makes certificates, --tls-cert brings one: give one of them")
	case f.Redirect != "" && f.TLSCert == "" && !f.LanTLS:
		return fmt.Errorf("--redirect leads to TLS: give --tls-cert and --tls-key, or --lan-tls")
	}
	return nil
}

// exposure is what the flags come to.
type exposure struct {
	tls       *tls.Config
	authority *lan.Authority // nil: there is none of the shop's own
	hosts     []string
	flags     tlsFlags
	provider  *provider.Provider // nil: people sign in with Tickover only
}

func (f *tlsFlags) expose(data string, logger *zap.Logger) (*exposure, error) {
	e := &exposure{flags: *f, hosts: slices.Clone(f.Host)}
	if err := f.check(); err != nil {
		return nil, err
	}
	switch {
	case f.TLSCert != "":
		files, err := lan.OpenFiles(f.TLSCert, f.TLSKey, time.Now)
		if err != nil {
			return nil, err
		}
		files.Trouble = func(err error) { logger.Warn("changed certificate not taken over", zap.Error(err)) }
		e.tls = &tls.Config{GetCertificate: files.GetCertificate}
	case f.LanTLS:
		names, err := lan.Local(f.Host...)
		if err != nil {
			return nil, err
		}
		if e.authority, err = lan.Open(filepath.Join(data, "tls"), names, time.Now, rand.Reader); err != nil {
			return nil, err
		}
		e.hosts = append(e.hosts, names.DNS...)
		e.tls = &tls.Config{GetCertificate: e.authority.GetCertificate}
	}
	if e.tls != nil {
		e.tls.MinVersion = tls.VersionTLS12
	}
	return e, nil
}

// listen opens the pages' address, if it is safe to.
func (e *exposure) listen(ctx context.Context, addr string, d *access.Desk) (net.Listener, error) {
	signIn := false
	if d != nil {
		var err error
		if signIn, err = d.Closed(ctx); err != nil {
			return nil, err
		}
	}
	return floor.Listen(ctx, addr, floor.Exposure{SignIn: signIn, TLS: e.tls != nil, Force: e.flags.ForceInsecure})
}

// serve serves the pages on l, and leads plain HTTP there.
func (e *exposure) serve(ctx context.Context, l net.Listener, f *floor.Floor, logger *zap.Logger) error {
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return floor.ServeTLS(ctx, l, e.tls, f, logger, f.Close) })
	if e.flags.Redirect != "" {
		plain, err := floor.Listen(ctx, e.flags.Redirect, floor.Exposure{SignIn: true, TLS: true}) // it shows nothing of the shop
		if err != nil {
			return err
		}
		g.Go(func() error { return floor.ServeOn(ctx, plain, f.Redirect(l.Addr()), logger, nil) })
	}
	return g.Wait()
}

// newSecret makes the secret of the page for the first account.
func newSecret() (string, error) {
	b := make([]byte, 16)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("a secret for the first account: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// announce tells where the pages are, how to close an open shop, and what
// phones have to trust.
func announceShop(io streams, name string, e *exposure, secret string, open bool) func(net.Addr) {
	return func(addr net.Addr) {
		a := e.called(addr)
		scheme := "http"
		if e.tls != nil {
			scheme = "https"
		}
		fmt.Fprintf(io.out, "%s: the board is at %s://%s/board (stop with Ctrl-C)\n", name, scheme, a)
		if c := e.authority; c != nil {
			fmt.Fprintf(io.out, "Phones: open %s://%s/trust and install the shop's certificate; its SHA-256 is\n  %s\n", scheme, a, c.Fingerprint())
		}
		if open && secret != "" {
			fmt.Fprintf(io.out, "Nobody has to sign in. To change that, make the owner's account on this machine:\n  %s://%s/first-account?secret=%s\n", scheme, a, secret)
		}
		if tcp, ok := addr.(*net.TCPAddr); ok && !tcp.IP.IsLoopback() && (e.tls == nil || open) {
			fmt.Fprintln(io.err, "WARNING: --force-insecure: whoever is in this network can read and press everything.")
		}
	}
}

// called is an address under which people open the pages: of all addresses of
// this machine the first name that was given, else the machine's own.
func (e *exposure) called(a net.Addr) string {
	tcp, ok := a.(*net.TCPAddr)
	if !ok || !tcp.IP.IsUnspecified() {
		return a.String()
	}
	host := "localhost"
	if len(e.flags.Host) > 0 {
		host = e.flags.Host[0]
	} else if n, err := lan.Local(); err == nil && len(n.IPs) > 0 {
		host = n.IPs[0].String()
	}
	return net.JoinHostPort(host, strconv.Itoa(tcp.Port))
}
