package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/access"
	"tickover/services/photos"
)

// logDir is where a data directory keeps its log.
func logDir(data string) string { return filepath.Join(data, "log") }

// photoDir is where a data directory keeps its photos.
func photoDir(data string) string { return filepath.Join(data, "photos") }

type dataFlag struct {
	Data string `help:"The data directory." default:"var" type:"path"`
}

type verifyCmd struct {
	dataFlag
	Backup string `help:"Verify a backup file instead of a data directory." type:"existingfile"`
}

func (c *verifyCmd) Run(ctx context.Context, io streams) error {
	p := newProgress(io.err, "verify")
	var rep log.Report
	var err error
	what := logDir(c.Data)
	if c.Backup != "" {
		what = c.Backup
		rep, err = log.VerifyBackup(ctx, c.Backup, p.set)
	} else {
		rep, err = log.Verify(ctx, what, p.set)
	}
	p.end()
	if err != nil {
		return explainLog(err)
	}
	if _, err = fmt.Fprintf(io.out, "%s: whole. %s\n", what, describe(rep)); err != nil {
		return err
	}
	dir := photoDir(c.Data)
	if c.Backup != "" {
		dir = photosBeside(c.Backup)
	}
	folders, err := photoFolders(dir)
	if err != nil {
		return err
	}
	for _, f := range folders {
		err := withPhotos(f.dir, func(s *photos.Store) error {
			n, err := s.Verify(ctx)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(io.out, "%s: %d photos, each what its name says.\n", f.dir, n)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// photosBeside is where a backup file's photos lie.
func photosBeside(file string) string { return file + ".photos" }

// sitePhotos is the folder, beside a deployment's backup, with a folder of
// photos for each site.
const sitePhotos = "sites"

// photoFolder is a directory of photos; site is empty for a single shop's.
type photoFolder struct {
	dir  string
	site queue.SiteID
}

// photoFolders are those of a data directory or a backup.
func photoFolders(dir string) ([]photoFolder, error) {
	list, err := os.ReadDir(filepath.Join(dir, sitePhotos))
	if errors.Is(err, fs.ErrNotExist) {
		return []photoFolder{{dir: dir}}, nil
	}
	if err != nil {
		return nil, err
	}
	var out []photoFolder
	for _, e := range list {
		site := queue.SiteID(e.Name())
		if log.CheckSite(site) == nil {
			out = append(out, photoFolder{filepath.Join(dir, sitePhotos, e.Name()), site})
		}
	}
	return out, nil
}

// writePhotos copies the photos of a deployment's sites beside a backup. One
// that was made before there were photos on NATS has none.
func writePhotos(ctx context.Context, io streams, nc *nats.Conn, file string, sites []log.SiteReport) error {
	for _, s := range sites {
		from, err := photos.OpenNATS(ctx, nc, s.Site, photos.Present)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			return nil
		}
		if err != nil {
			return err
		}
		to := filepath.Join(photosBeside(file), sitePhotos, string(s.Site))
		d, err := photos.Open(to)
		if err != nil {
			return err
		}
		n, err := from.Copy(ctx, d)
		if err != nil {
			return fmt.Errorf("the log is copied, but not all photos of site %s: %w", s.Site, err)
		}
		if _, err := fmt.Fprintf(io.out, "%s: %d photos.\n", to, n); err != nil {
			return err
		}
	}
	return nil
}

// withPhotos opens a directory of photos, if there is one.
func withPhotos(dir string, use func(*photos.Store) error) error {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return nil
	}
	s, err := photos.Open(dir)
	if err != nil {
		return err
	}
	return use(s)
}

// copyPhotos copies the photos of one directory into another and says so.
func copyPhotos(ctx context.Context, io streams, from, to string) error {
	return withPhotos(from, func(s *photos.Store) error {
		d, err := photos.Open(to)
		if err != nil {
			return err
		}
		n, err := s.Copy(ctx, d)
		if err != nil {
			return fmt.Errorf("the log is copied, but not all photos: %w", err)
		}
		_, err = fmt.Fprintf(io.out, "%s: %d photos.\n", to, n)
		return err
	})
}

func describe(r log.Report) string {
	return fmt.Sprintf("%d entries of %d sites, every checksum, chain and the high-water mark agree.", r.Entries, len(r.Sites))
}

type backupCmd struct {
	dataFlag
	natsFlags
	signIn
	Server string        `help:"The running shop, which is asked when the data directory is in use." default:"http://${listen}"`
	Nats   string        `help:"Back up the running log of a deployment, nats://HOST:PORT[,…], instead of a stopped one's files." placeholder:"URL"`
	Keep   time.Duration `help:"Remove backups in the folder FILE/ that are older, once the new one is written and verified." placeholder:"DURATION"`
	File   string        `arg:"" help:"The new file; people go into FILE.people beside it, accounts with the hashes of passwords into FILE.accounts, photos into the folder FILE.photos. A name that ends in / is a folder, and the file is named after the time."`
}

// backupName is how files are named in a folder of backups.
const backupName = "tickover-20060102T150405Z.tar.gz"

func (c *backupCmd) Run(ctx context.Context, io streams) error {
	folder := strings.HasSuffix(c.File, "/")
	if c.Keep != 0 && (!folder || c.Keep < 24*time.Hour) {
		return errors.New("--keep needs a folder, FILE/, and at least 24h")
	}
	file := c.File
	if folder {
		if err := os.MkdirAll(file, 0o700); err != nil {
			return err
		}
		file = filepath.Join(file, time.Now().UTC().Format(backupName))
	}
	rep, err := c.write(ctx, io, file)
	if err != nil {
		return explainLog(err)
	}
	// What can't be read back is no backup.
	if _, err := log.VerifyBackup(ctx, file, nil); err != nil {
		return fmt.Errorf("the backup was written and can't be read back: %w", err)
	}
	if _, err = fmt.Fprintf(io.out, "%s: written and read back. %s\n", file, describe(rep)); err != nil {
		return err
	}
	if c.Nats == "" {
		if err := copyPhotos(ctx, io, photoDir(c.Data), photosBeside(file)); err != nil {
			return err
		}
	}
	if c.Keep != 0 {
		return c.prune(io, time.Now().Add(-c.Keep))
	}
	return nil
}

func (c *backupCmd) write(ctx context.Context, io streams, file string) (log.Report, error) {
	p := newProgress(io.err, "backup")
	defer p.end()
	if c.Nats == "" {
		rep, err := log.BackupDir(ctx, logDir(c.Data), file, p.set)
		p.end()
		switch {
		case errors.Is(err, log.ErrLocked):
			return c.fetch(ctx, io, file)
		case err == nil:
			err = dumpPeople(ctx, io, c.Data, file)
		}
		if err == nil && hasStream(c.Data, access.Stream) {
			err = dumpAccounts(ctx, io, c.Data, file)
		}
		return rep, err
	}
	opts, err := c.options("backup")
	if err != nil {
		return log.Report{}, err
	}
	far, err := log.Dial(ctx, log.DialOptions{URL: c.Nats, MustExist: true, Program: version(), Conn: opts})
	if err != nil {
		return log.Report{}, err
	}
	defer far.Close()
	rep, err := far.Backup(ctx, file, p.set)
	if err == nil {
		err = writePeople(ctx, io, far.Conn(), file)
	}
	if err == nil {
		err = writeAccounts(ctx, io, far.Conn(), file)
	}
	if err == nil {
		err = writePhotos(ctx, io, far.Conn(), file, rep.Sites)
	}
	return rep, err
}

// prune removes old backups of the folder, by the time in their names.
func (c *backupCmd) prune(io streams, before time.Time) error {
	list, err := os.ReadDir(c.File)
	if err != nil {
		return err
	}
	for _, e := range list {
		at, err := time.Parse(backupName, e.Name())
		if err != nil || !at.Before(before) {
			continue // not ours, or young enough
		}
		for _, name := range []string{e.Name(), peopleBeside(e.Name()), accountsBeside(e.Name()), photosBeside(e.Name())} {
			if err := os.RemoveAll(filepath.Join(c.File, name)); err != nil {
				return err
			}
		}
		fmt.Fprintf(io.out, "%s: removed, it is older than %v\n", e.Name(), c.Keep)
	}
	return nil
}

type restoreCmd struct {
	dataFlag
	natsFlags
	Nats     string `help:"Restore into the empty log of a deployment, nats://HOST:PORT[,…], instead of a directory." placeholder:"URL"`
	Replicas int    `help:"On how many of its servers." default:"3"`
	File     string `arg:"" help:"The backup file." type:"existingfile"`
	SetAside bool   `help:"Keep a log that is there in a folder beside it, instead of refusing."`
}

func (c *restoreCmd) Run(ctx context.Context, io streams) error {
	if c.Nats != "" {
		return c.far(ctx, io)
	}
	if err := os.MkdirAll(c.Data, 0o750); err != nil {
		return err
	}
	erased, known := erasedBefore(ctx, io, c.Data)
	p := newProgress(io.err, "restore")
	rep, err := log.Restore(ctx, c.File, logDir(c.Data), log.RestoreOptions{SetAside: c.SetAside, Progress: p.set})
	p.end()
	if err != nil {
		return explainLog(err)
	}
	_, err = fmt.Fprintf(io.out, "%s: restored from %s. %s\n", logDir(c.Data), c.File, describe(rep.Report))
	if err == nil && rep.SetAside != "" {
		_, err = fmt.Fprintf(io.out, "The log that was there is kept in %s.\n", rep.SetAside)
	}
	if err == nil {
		err = withPart(peopleBeside(c.File), func(f *os.File) error {
			return withStore(ctx, io, c.Data, func(nc *nats.Conn) error { return loadPeople(ctx, io, nc, f, erased, known, 0) })
		})
	}
	if err == nil {
		err = withPart(accountsBeside(c.File), func(f *os.File) error {
			return withStore(ctx, io, c.Data, func(nc *nats.Conn) error { return loadAccounts(ctx, io, nc, f, 0) })
		})
	}
	if err != nil {
		return err
	}
	folders, err := photoFolders(photosBeside(c.File))
	for _, f := range folders {
		if err == nil { // photos are named after what they are: a single shop has them in one folder
			err = copyPhotos(ctx, io, f.dir, photoDir(c.Data))
		}
	}
	return err
}

func (c *restoreCmd) far(ctx context.Context, io streams) error {
	opts, err := c.options("dispatch")
	if err != nil {
		return err
	}
	p := newProgress(io.err, "restore")
	rep, err := log.RestoreInto(ctx, c.File, log.DialOptions{URL: c.Nats, Replicas: c.Replicas, Program: version(), Conn: opts}, p.set)
	p.end()
	if err != nil {
		return explainLog(err)
	}
	if _, err = fmt.Fprintf(io.out, "%s: restored from %s. %s\n", c.Nats, c.File, describe(rep)); err != nil {
		return err
	}
	far, err := log.Dial(ctx, log.DialOptions{URL: c.Nats, MustExist: true, Program: version(), Conn: opts})
	if err != nil {
		return explainLog(err)
	}
	defer far.Close()
	err = withPart(peopleBeside(c.File), func(f *os.File) error { return loadPeople(ctx, io, far.Conn(), f, nil, false, c.Replicas) })
	if err != nil {
		return err
	}
	err = withPart(accountsBeside(c.File), func(f *os.File) error { return loadAccounts(ctx, io, far.Conn(), f, c.Replicas) })
	if err != nil {
		return err
	}
	return c.farPhotos(ctx, io, far.Conn(), rep.Sites)
}

// farPhotos puts a backup's photos on the servers; those of a single shop
// belong to its one site.
func (c *restoreCmd) farPhotos(ctx context.Context, io streams, nc *nats.Conn, sites []log.SiteReport) error {
	folders, err := photoFolders(photosBeside(c.File))
	if err != nil {
		return err
	}
	for _, f := range folders {
		if f.site == "" && len(sites) == 1 {
			f.site = sites[0].Site
		}
		err := withPhotos(f.dir, func(s *photos.Store) error {
			if f.site == "" {
				return fmt.Errorf("%s: which of the %d sites these photos belong to is not known: move them into %s", f.dir, len(sites), filepath.Join(f.dir, sitePhotos, "SITE"))
			}
			to, err := photos.OpenNATS(ctx, nc, f.site, c.Replicas)
			if err != nil {
				return err
			}
			n, err := s.Copy(ctx, to)
			if err != nil {
				return fmt.Errorf("the log is restored, but not all photos of site %s: %w", f.site, err)
			}
			_, err = fmt.Fprintf(io.out, "%d photos of site %s.\n", n, f.site)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// explainLog adds what a person does about an error of the log.
func explainLog(err error) error {
	var damage *log.DamageError
	switch {
	case errors.As(err, &damage):
		return fmt.Errorf("%w\nThe program does not go on with a damaged log, and has changed nothing. To go back to a backup:\n"+
			"  tickover verify --backup FILE\n  tickover restore FILE --set-aside", err)
	case errors.Is(err, log.ErrLocked):
		return fmt.Errorf("%w\nStop the other process first, or give this one its own --data directory", err)
	case errors.Is(err, log.ErrNotEmpty):
		return fmt.Errorf("%w: --set-aside keeps it in a folder", err)
	case errors.Is(err, queue.ErrNewerFormat):
		return fmt.Errorf("%w\nNothing was changed. Start the newer version of the program again", err)
	}
	return err
}
