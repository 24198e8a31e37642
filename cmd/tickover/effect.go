package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/shopfile"
	"tickover/services/ledger"
)

// shopCmd is for a deployment, where the shop in effect is in the log and no
// process has a file that it follows. A shop of its own has its file.
type shopCmd struct {
	Show shopShowCmd `cmd:"" help:"Write a site's shop in effect as a shop file; its hash goes to standard error."`
	Put  shopPutCmd  `cmd:"" help:"Put a shop file into effect at its site, in the place of the one that was seen."`
}

type effectFlags struct {
	logFlags
	natsFlags
	Nats string `help:"The servers of a running deployment, nats://HOST:PORT[,…], with --nats-key the floor's." required:"" placeholder:"URL"`
}

// at opens a site's ledger; it has to be there.
func (f *effectFlags) at(ctx context.Context, io streams, site queue.SiteID, do func(*ledger.Ledger) error) error {
	if err := log.CheckSite(site); err != nil {
		return err
	}
	logger, err := f.logger(io)
	if err != nil {
		return err
	}
	far, err := f.dial(ctx, f.Nats, "floor", logger)
	if err != nil {
		return err
	}
	defer far.Close()
	l, err := ledger.Open(ctx, ledger.Options{Site: site, Log: far, Now: time.Now, Logger: logger})
	if err != nil {
		return explainLog(err)
	}
	if l.View().Shop == nil {
		return fmt.Errorf("the servers at %s have no site %q; correct its name, or start a dispatcher with its shop file", f.Nats, site)
	}
	return do(l)
}

type shopShowCmd struct {
	effectFlags
	Site string `help:"The site." required:""`
}

func (c *shopShowCmd) Run(ctx context.Context, io streams) error {
	return c.at(ctx, io, queue.SiteID(c.Site), func(l *ledger.Ledger) error {
		st := l.View()
		text, err := shopfile.Write(st.Shop)
		if err != nil {
			return err
		}
		fmt.Fprintf(io.err, "In effect at %s is the shop %s. To change it: edit this file, then tickover shop put FILE --was %[2]s\n", c.Site, st.ShopFile)
		_, err = io.out.Write(text)
		return err
	})
}

type shopPutCmd struct {
	effectFlags
	File  string `arg:"" help:"The shop file." type:"existingfile"`
	Was   string `help:"The hash of the shop in effect that the file was made from, as show tells it." placeholder:"HASH"`
	Actor string `help:"The foreman who changes it." placeholder:"PERSON"`
}

func (c *shopPutCmd) Run(ctx context.Context, io streams) error {
	shop, hash, err := readShop(c.File)
	if err != nil {
		return err
	}
	return c.at(ctx, io, shop.Site, func(l *ledger.Ledger) error {
		st := l.View()
		switch {
		case st.ShopFile == hash:
			_, err := fmt.Fprintf(io.out, "%s: this file is in effect already.\n", shop.Site)
			return err
		case c.Was == "":
			return fmt.Errorf("in effect at %s is the shop %s, perhaps changed by somebody else: look at it with tickover shop show, then say --was %[2]s", shop.Site, st.ShopFile)
		}
		_, err := l.Do(ctx, queue.Command{
			ID: queue.CommandID("shop-" + uuid.NewString()), At: time.Now(), Actor: queue.PersonID(c.Actor),
			Action: &queue.ConfigureShop{Shop: *shop, FileHash: hash, Was: queue.Hash(c.Was)},
		})
		var refused *queue.Refusal
		if errors.As(err, &refused) {
			return fmt.Errorf("%s. %s", refused.What, refused.Do)
		}
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(io.out, "%s: the file is in effect, its hash is %s.\n", shop.Site, hash)
		return err
	})
}
