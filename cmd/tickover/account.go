package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/sys/unix"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/access"
)

// accountCmd is for a single shop that is stopped, where the owner's page does
// the same while it runs, and for a deployment that runs.
type accountCmd struct {
	Add   accountAddCmd   `cmd:"" help:"Make an account; the first one is the owner's."`
	List  accountListCmd  `cmd:"" help:"List the accounts."`
	Reset accountResetCmd `cmd:"" help:"Set an account's password anew; its devices are signed out."`
	Link  accountLinkCmd  `cmd:"" help:"Say which person of the OpenID provider an account belongs to, where the e-mail address does not."`
	Seen  accountSeenCmd  `cmd:"" help:"Say from which other sites of the deployment the person sees this one."`
	Token accountTokenCmd `cmd:"" help:"Make a token with which a program uses the API as the account."`
}

type accountFlags struct {
	dataFlag
	logFlags
	natsFlags
	Shop string `help:"The shop file." type:"existingfile"`
	Site string `help:"The site, in place of the shop file."`
	Nats string `help:"The servers of a running deployment, nats://HOST:PORT[,…], with --nats-key the floor's." placeholder:"URL"`
}

// at opens the desk over a connection.
func (f *accountFlags) at(ctx context.Context, nc *nats.Conn, site queue.SiteID, logger *zap.Logger, do func(*access.Desk) error) error {
	store, err := access.OpenJetStream(ctx, nc, site, 0, time.Now)
	if err != nil {
		return err
	}
	d, err := access.New(access.Options{Store: store, Now: time.Now, Random: rand.Reader, Logger: logger})
	if err != nil {
		return err
	}
	return do(d)
}

// far opens the desk of a deployment.
func (f *accountFlags) far(ctx context.Context, site queue.SiteID, logger *zap.Logger, do func(*access.Desk) error) error {
	l, err := f.dial(ctx, f.Nats, "floor", logger)
	if err != nil {
		return err
	}
	defer l.Close()
	if last, err := l.Last(ctx, site); err != nil || last.Seq == 0 {
		return fmt.Errorf("the servers at %s have no site %q (%v); correct --site, or start a dispatcher with its shop file first", f.Nats, site, err)
	}
	return f.at(ctx, l.Conn(), site, logger, do)
}

func (f *accountFlags) with(ctx context.Context, io streams, do func(*access.Desk) error) error {
	site := queue.SiteID(f.Site)
	switch {
	case f.Shop == "" && site == "":
		return errors.New("say whose accounts: give --shop with the shop file, or --site")
	case f.Shop != "":
		shop, _, err := readShop(f.Shop)
		if err != nil {
			return err
		}
		if site != "" && site != shop.Site {
			return fmt.Errorf("--site %s: the shop file is of site %s", site, shop.Site)
		}
		site = shop.Site
	}
	if err := log.CheckSite(site); err != nil {
		return err
	}
	logger, err := f.logger(io)
	if err != nil {
		return err
	}
	if f.Nats != "" {
		return f.far(ctx, site, logger, do)
	}
	return withLog(ctx, log.Options{Dir: logDir(f.Data)}, logger, io, func(srv *log.Server) error {
		nc, err := srv.Connect()
		if err != nil {
			return err
		}
		defer nc.Close()
		return f.at(ctx, nc, site, logger, do)
	})
}

type accountAddCmd struct {
	accountFlags
	ID           string   `arg:"" help:"What is typed at sign-in; the person's id in the shop file, if it has him."`
	Role         []string `help:"Roles: foreman, technician, owner, counter, bench, read-only." required:""`
	Name         string   `help:"The person's name."`
	Bench        string   `help:"The bench of a bench device."`
	Email        string   `help:"E-mail address, if the shop signs in through a provider."`
	PasswordFile string   `help:"Read the password from the first line of this file; - asks for it." default:"-" placeholder:"FILE"`
	NoPassword   bool     `help:"Without a password: signs in by a paired device."`
}

func (c *accountAddCmd) Run(ctx context.Context, io streams) error {
	a := access.Account{ID: c.ID, Name: c.Name, Bench: queue.ResourceID(c.Bench), Email: c.Email}
	for _, text := range c.Role {
		var r access.Role
		if err := r.UnmarshalText([]byte(text)); err != nil {
			return err
		}
		a.Roles = append(a.Roles, r)
	}
	var password string
	if !c.NoPassword {
		var err error
		if password, err = readPassword(io, c.PasswordFile); err != nil {
			return err
		}
	}
	return c.with(ctx, io, func(d *access.Desk) error {
		if err := d.Add(ctx, "console", a, password); err != nil {
			return accountProblem(err)
		}
		_, err := fmt.Fprintf(io.out, "%s: made. From now on people sign in.\n", a.ID)
		return err
	})
}

func accountProblem(err error) error {
	if bad, ok := err.(*access.InvalidError); ok {
		return fmt.Errorf("%s: %s. %s", bad.Field, bad.What, bad.Do)
	}
	return err
}

// readPassword reads a line without showing it.
func readPassword(io streams, file string) (string, error) {
	in := os.Stdin
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return "", fmt.Errorf("password: %w", err)
		}
		defer f.Close()
		in = f
	} else if was, err := unix.IoctlGetTermios(int(in.Fd()), unix.TCGETS); err == nil {
		fmt.Fprint(io.err, "Password: ")
		quiet := *was
		quiet.Lflag &^= unix.ECHO
		if err := unix.IoctlSetTermios(int(in.Fd()), unix.TCSETS, &quiet); err != nil {
			return "", fmt.Errorf("password: the terminal would show it: %w", err)
		}
		defer func() {
			_ = unix.IoctlSetTermios(int(in.Fd()), unix.TCSETS, was)
			fmt.Fprintln(io.err)
		}()
	}
	line, err := bufio.NewReader(in).ReadString('\n')
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", fmt.Errorf("password: nothing was given (%v); type it, or name a file with --password-file", err)
	}
	return line, nil
}

type accountListCmd struct{ accountFlags }

func (c *accountListCmd) Run(ctx context.Context, io streams) error {
	return c.with(ctx, io, func(d *access.Desk) error {
		all, err := d.Accounts(ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(io.out, 0, 0, 2, ' ', 0)
		for _, a := range all {
			state := "by a paired device"
			switch {
			case a.Shut:
				state = "shut"
			case a.HasPassword():
				state = "by password"
			}
			if a.Subject != "" && !a.Shut {
				state += ", through the provider"
			}
			if len(a.SeenFrom) > 0 && !a.Shut {
				state += fmt.Sprintf(", seen from %v", a.SeenFrom)
			}
			var roles []string
			for _, r := range a.Roles {
				roles = append(roles, r.String())
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", a.ID, a.Name, strings.Join(roles, ", "), state)
		}
		if len(all) == 0 {
			fmt.Fprintln(t, "There are no accounts: nobody has to sign in.")
		}
		return t.Flush()
	})
}

type accountResetCmd struct {
	accountFlags
	ID           string `arg:"" help:"The account."`
	PasswordFile string `help:"Read the password from the first line of this file; - asks for it." default:"-" placeholder:"FILE"`
}

func (c *accountResetCmd) Run(ctx context.Context, io streams) error {
	password, err := readPassword(io, c.PasswordFile)
	if err != nil {
		return err
	}
	return c.with(ctx, io, func(d *access.Desk) error {
		open := false
		if err := d.Change(ctx, "console", c.ID, access.Change{Password: &password, Shut: &open}); err != nil {
			return accountProblem(err)
		}
		_, err := fmt.Fprintf(io.out, "%s: the password is set, and all devices are signed out.\n", c.ID)
		return err
	})
}

type accountTokenCmd struct {
	accountFlags
	ID    string `arg:"" help:"The account as which the program acts."`
	Label string `help:"What it is for."`
}

func (c *accountTokenCmd) Run(ctx context.Context, io streams) error {
	return c.with(ctx, io, func(d *access.Desk) error {
		token, err := d.NewToken(ctx, "console", access.Program, c.ID, c.Label)
		if err != nil {
			return err
		}
		fmt.Fprintln(io.err, "Send it as: Authorization: Bearer TOKEN. It is shown once and works for a year.")
		_, err = fmt.Fprintln(io.out, token)
		return err
	})
}

type accountSeenCmd struct {
	accountFlags
	ID   string   `arg:"" help:"The account."`
	From []string `help:"A site at which the account of the same name is the same person's; without any, the site is seen from nowhere else." placeholder:"SITE"`
}

func (c *accountSeenCmd) Run(ctx context.Context, io streams) error {
	sites := []queue.SiteID{}
	for _, s := range c.From {
		sites = append(sites, queue.SiteID(s))
	}
	return c.with(ctx, io, func(d *access.Desk) error {
		if err := d.Change(ctx, "console", c.ID, access.Change{SeenFrom: &sites}); err != nil {
			return accountProblem(err)
		}
		said := "sees the site from no other"
		if len(sites) > 0 {
			said = "sees the site from " + strings.Join(c.From, ", ")
		}
		_, err := fmt.Fprintf(io.out, "%s: %s.\n", c.ID, said)
		return err
	})
}

type accountLinkCmd struct {
	accountFlags
	ID      string `arg:"" help:"The account."`
	Issuer  string `help:"The provider's issuer, as serve has it with --oidc-issuer."`
	Subject string `help:"The person's number there; the page for signing in shows it to a stranger. Leave both out to take a link away."`
}

func (c *accountLinkCmd) Run(ctx context.Context, io streams) error {
	return c.with(ctx, io, func(d *access.Desk) error {
		if err := d.Change(ctx, "console", c.ID, access.Change{Person: &access.Identity{Issuer: c.Issuer, Subject: c.Subject}}); err != nil {
			return accountProblem(err)
		}
		said := "belongs to that person of the provider"
		if c.Issuer == "" {
			said = "belongs to nobody of the provider"
		}
		_, err := fmt.Fprintf(io.out, "%s: %s.\n", c.ID, said)
		return err
	})
}
