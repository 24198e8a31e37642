package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tickover/queue/log"
	"tickover/queue/view/redisview"
)

// doctorCmd looks at an installation and says what is wrong and what to do. It
// changes nothing.
type doctorCmd struct {
	dataFlag
	natsFlags
	Shop    string        `help:"The shop file." type:"path" placeholder:"FILE"`
	Listen  string        `help:"Address of the pages, to see whether it is free." placeholder:"ADDRESS"`
	Nats    string        `help:"Servers of a deployment, nats://HOST:PORT[,…]." placeholder:"URL"`
	Redis   string        `help:"Redis of a deployment." placeholder:"URL"`
	TLSCert string        `help:"The pages' certificate." name:"tls-cert" placeholder:"FILE"`
	TLSKey  string        `help:"Its key." name:"tls-key" placeholder:"FILE"`
	Backups string        `help:"The folder of backups." type:"path" placeholder:"FOLDER"`
	MaxAge  time.Duration `help:"How old the newest backup may be." default:"36h"`
}

// finding is what was looked at, what is wrong with it (nothing: it is well),
// and what to do.
type finding struct {
	what, wrong, do string
}

func (c *doctorCmd) Run(ctx context.Context, io streams) error {
	var all []finding
	if c.Nats == "" {
		all = append(all, c.folder(), c.space(), c.log(ctx))
	} else {
		all = append(all, c.far(ctx))
	}
	all = append(all, c.clock())
	for _, o := range []struct {
		given string
		look  func(context.Context) finding
	}{{c.Shop, c.shop}, {c.Listen, c.port}, {c.Redis, c.redis}, {c.TLSCert, c.certificate}, {c.Backups, c.backup}} {
		if o.given != "" {
			all = append(all, o.look(ctx))
		}
	}
	bad := 0
	for _, f := range all {
		if f.wrong == "" {
			fmt.Fprintf(io.out, "ok     %s\n", f.what)
			continue
		}
		bad++
		fmt.Fprintf(io.out, "WRONG  %s: %s\n       → %s\n", f.what, f.wrong, f.do)
	}
	if bad > 0 {
		fmt.Fprintf(io.err, "%d of %d things are wrong.\n", bad, len(all))
		return errSaid
	}
	return nil
}

// folder: the data directory is there, ours, and nobody else's to read.
func (c *doctorCmd) folder() finding {
	f := finding{what: "data directory " + c.Data}
	info, err := os.Stat(c.Data)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		f.wrong, f.do = "it is not there", "correct --data, or start tickover serve once, which makes it"
	case err != nil:
		f.wrong, f.do = err.Error(), "run this as the user that the service runs as"
	case unix.Access(c.Data, unix.W_OK|unix.R_OK|unix.X_OK) != nil:
		f.wrong, f.do = "this user may not write in it", "run this as the service's user, or: chown -R USER "+c.Data
	case info.Mode().Perm()&0o007 != 0:
		f.wrong, f.do = fmt.Sprintf("everybody on this machine can read it (mode %04o)", info.Mode().Perm()), "chmod o-rwx "+c.Data
	}
	return f
}

// space: more is free than the log keeps free.
func (c *doctorCmd) space() finding {
	f := finding{what: "free disk"}
	dir := c.Data
	for { // the nearest that is there
		if _, err := os.Stat(dir); err == nil || dir == filepath.Dir(dir) {
			break
		}
		dir = filepath.Dir(dir)
	}
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		f.wrong, f.do = err.Error(), "look at the disk"
		return f
	}
	size, free := int64(st.Blocks)*int64(st.Bsize), int64(st.Bavail)*int64(st.Bsize)
	reserve := min(256<<20, size/10) // what queue/log leaves free
	f.what = fmt.Sprintf("free disk: %d MiB of %d", free>>20, size>>20)
	switch {
	case free < reserve:
		f.wrong, f.do = "the log takes no more", fmt.Sprintf("free at least %d MiB; no need to restart", (reserve-free)>>20+1)
	case free < 4*reserve:
		f.wrong, f.do = fmt.Sprintf("little is left before the log takes no more, at %d MiB", reserve>>20), "free space, or move the data directory to a larger disk"
	}
	return f
}

// log: every entry, chain and mark.
func (c *doctorCmd) log(ctx context.Context) finding {
	f := finding{what: "log"}
	if _, err := os.Stat(logDir(c.Data)); errors.Is(err, fs.ErrNotExist) {
		f.what = "log: none yet"
		return f
	}
	rep, err := log.Verify(ctx, logDir(c.Data), nil)
	switch {
	case errors.Is(err, log.ErrLocked):
		f.what = "log: in use, so checked when the program that uses it started"
	case err != nil:
		f.wrong, f.do = err.Error(), "keep the directory as it is; tickover verify --backup FILE, then tickover restore FILE --set-aside"
	default:
		f.what = "log: " + describe(rep)
	}
	return f
}

// clock: the system says whether something sets it (adjtimex(2)).
func (c *doctorCmd) clock() finding {
	f := finding{what: "clock " + time.Now().UTC().Format(time.RFC3339)}
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	switch {
	case time.Now().Year() < 2026:
		f.wrong, f.do = "it is years behind", "set it, and replace the machine's clock battery: timedatectl set-time …"
	case err != nil:
		f.what += " (whether it is kept right is not known here)"
	case state == unix.TIME_ERROR || tx.Status&unix.STA_UNSYNC != 0:
		f.wrong, f.do = "nothing keeps it right", "timedatectl set-ntp true; without a network, set it by hand now and then. Locks don't depend on it, times in the record do"
	}
	return f
}

func (c *doctorCmd) shop(context.Context) finding {
	f := finding{what: "shop file " + c.Shop}
	if _, _, err := readShop(c.Shop); err != nil {
		f.wrong, f.do = err.Error(), "tickover check "+c.Shop
	}
	return f
}

// port: free, or somebody answers there.
func (c *doctorCmd) port(ctx context.Context) finding {
	f := finding{what: "address " + c.Listen}
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", c.Listen)
	if err == nil {
		f.what += ": free"
		l.Close()
		return f
	}
	if errors.Is(err, unix.EADDRINUSE) {
		f.what += ": in use, by Tickover if it runs"
		return f
	}
	f.wrong, f.do = err.Error(), "choose an address of this machine and a port above 1023"
	return f
}

// far: the deployment's log answers, is kept thrice, and verifies at its end.
func (c *doctorCmd) far(ctx context.Context) finding {
	f := finding{what: "log at " + c.Nats}
	opts, err := c.options("backup")
	if err != nil {
		f.wrong, f.do = err.Error(), "tickover keys makes keys"
		return f
	}
	l, err := log.Dial(ctx, log.DialOptions{URL: c.Nats, MustExist: true, Conn: opts, Timeout: 3 * time.Second})
	if err != nil {
		f.wrong, f.do = err.Error(), "look whether the nodes run (systemctl status tickover-nats), whether the addresses are right, and whether the key is that of the role backup"
		return f
	}
	defer l.Close()
	state, err := l.Copies(ctx)
	switch {
	case err != nil:
		f.wrong, f.do = err.Error(), "look at the nodes"
	case state.Want < 3:
		f.wrong, f.do = fmt.Sprintf("it is kept on %d node only", state.Want), "start the dispatchers with --replicas 3, against three nodes"
	case len(state.Behind) > 0:
		f.wrong, f.do = c.behind(ctx, l, state)
	default:
		f.what = fmt.Sprintf("log at %s: %d entries on %d nodes", c.Nats, state.Entries, state.Want)
	}
	return f
}

// behindFor is how long the doctor watches a node that is behind: one that is
// well catches up thousands of entries in that time.
const behindFor = 3 * time.Second

// behind says which nodes lack something, and whether they catch up.
func (c *doctorCmd) behind(ctx context.Context, l *log.JetStream, before log.Copies) (wrong, do string) {
	select {
	case <-ctx.Done():
	case <-time.After(behindFor):
	}
	now, err := l.Copies(ctx)
	if err != nil {
		return err.Error(), "look at the nodes"
	}
	var list, away []string
	for _, b := range now.Behind {
		if list = append(list, b.String()); b.Away {
			away = append(away, b.Node)
		}
	}
	stuck := now.Stuck(before)
	switch {
	case len(stuck) > 0:
		return fmt.Sprintf("%s, and after %v no nearer", strings.Join(list, ", "), behindFor), strings.Join(stuck, " and ") + ": " + log.StuckDo
	case len(away) > 0:
		return "not all nodes have all of it: " + strings.Join(list, ", "), "start " + strings.Join(away, " and ") + ", or look at the network there"
	case len(list) > 0:
		return "not all nodes have all of it: " + strings.Join(list, ", "), "nothing: it catches up; look again in a minute"
	}
	return "a node lacked a part of it a moment ago", "nothing: it has caught up"
}

func (c *doctorCmd) redis(ctx context.Context) finding {
	f := finding{what: "Redis"}
	client, err := redisview.Dial(c.Redis, nil)
	if err != nil {
		f.wrong, f.do = err.Error(), "correct --redis"
		return f
	}
	defer client.Close()
	heads, err := redisview.New(client).Heads(ctx)
	if err != nil {
		f.wrong, f.do = err.Error(), "look whether it runs, and whether name and password are those of redis.acl. The shop works on without; who is signed in goes on"
		return f
	}
	f.what = fmt.Sprintf("Redis: views of %d sites", len(heads))
	return f
}

func (c *doctorCmd) certificate(context.Context) finding {
	f := finding{what: "certificate " + c.TLSCert}
	pair, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey)
	if err != nil {
		f.wrong, f.do = err.Error(), "give the certificate with its chain and the key that belongs to it, as PEM"
		return f
	}
	left := time.Until(pair.Leaf.NotAfter)
	f.what += ", good until " + pair.Leaf.NotAfter.UTC().Format(time.DateOnly)
	switch {
	case left < 0:
		f.wrong, f.do = "it is over", "renew it; the program takes a new file over by itself"
	case time.Now().Before(pair.Leaf.NotBefore):
		f.wrong, f.do = "it is not good yet", "look at this machine's clock"
	case left < 14*24*time.Hour:
		f.wrong, f.do = "it is over soon", "renew it; the program takes a new file over by itself"
	}
	return f
}

// backup: the newest is young and can be read back.
func (c *doctorCmd) backup(ctx context.Context) finding {
	f := finding{what: "backups in " + c.Backups}
	list, err := os.ReadDir(c.Backups)
	if err != nil {
		f.wrong, f.do = err.Error(), "tickover backup "+c.Backups+"/"
		return f
	}
	newest, at := "", time.Time{}
	for _, e := range list {
		if t, err := time.Parse(backupName, e.Name()); err == nil && t.After(at) {
			newest, at = e.Name(), t
		}
	}
	if newest == "" {
		f.wrong, f.do = "there is none", "tickover backup "+c.Backups+"/, and let a timer do it every night (deploy/systemd)"
		return f
	}
	f.what = "newest backup " + newest
	if _, err := log.VerifyBackup(ctx, filepath.Join(c.Backups, newest), nil); err != nil {
		f.wrong, f.do = err.Error(), "make a new one at once, and look at the disk it lies on"
	} else if age := time.Since(at); age > c.MaxAge {
		f.wrong, f.do = fmt.Sprintf("it is %v old", age.Round(time.Hour)), "look why the timer does not run: systemctl status tickover-backup.timer tickover-backup.service"
	}
	return f
}
