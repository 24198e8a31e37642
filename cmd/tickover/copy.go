package main

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"

	"github.com/nats-io/nats.go"

	"tickover/queue/log"
	"tickover/services/access"
	"tickover/services/contacts"
	"tickover/services/floor/api"
)

// A running shop hands its backup out as a tar with these members.
const (
	memberLog      = "log"
	memberPeople   = "people"
	memberAccounts = "accounts"
)

// peopleBeside is where a backup file's people lie.
func peopleBeside(file string) string { return file + ".people" }

// accountsBeside is where its accounts lie, with the hashes of passwords.
func accountsBeside(file string) string { return file + ".accounts" }

// handOut writes a running shop's log, people and accounts.
func handOut(srv interface {
	Backup(context.Context, string, log.Progress) (log.Report, error)
}, nc *nats.Conn) func(context.Context, io.Writer) error {
	return func(ctx context.Context, w io.Writer) error {
		dir, err := os.MkdirTemp("", "tickover-backup-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		file := filepath.Join(dir, memberLog)
		if _, err := srv.Backup(ctx, file, nil); err != nil {
			return err
		}
		var people, accounts bytes.Buffer
		if _, err := contacts.Dump(ctx, nc, &people); err != nil {
			return err
		}
		if _, err := access.Dump(ctx, nc, &accounts); err != nil {
			return err
		}
		t := tar.NewWriter(w)
		for _, m := range []struct {
			name string
			of   *bytes.Buffer
		}{{memberPeople, &people}, {memberAccounts, &accounts}} {
			if err := t.WriteHeader(&tar.Header{Name: m.name, Mode: 0o600, Size: int64(m.of.Len())}); err != nil {
				return err
			}
			if _, err := t.Write(m.of.Bytes()); err != nil {
				return err
			}
		}
		f, err := os.Open(file)
		if err != nil {
			return err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return err
		}
		if err := t.WriteHeader(&tar.Header{Name: memberLog, Mode: 0o600, Size: info.Size()}); err != nil {
			return err
		}
		if _, err := io.Copy(t, f); err != nil {
			return err
		}
		return t.Close()
	}
}

// fetch takes a backup from a running shop.
func (c *backupCmd) fetch(ctx context.Context, out streams, file string) (log.Report, error) {
	for _, name := range []string{file, peopleBeside(file), accountsBeside(file)} {
		if _, err := os.Stat(name); err == nil {
			return log.Report{}, fmt.Errorf("%s is there already; give the backup another name", name)
		}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.Server+api.Prefix+"/backup", nil)
	if err != nil {
		return log.Report{}, err
	}
	if err := c.as(req); err != nil {
		return log.Report{}, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return log.Report{}, fmt.Errorf("the log of %s is in use, and no shop answers at %s: %w; say where it listens with --server", c.Data, c.Server, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
		return log.Report{}, problem(resp.StatusCode, text)
	}
	if err := c.unpack(resp.Body, file); err != nil {
		return log.Report{}, errors.Join(err, os.RemoveAll(file), os.RemoveAll(peopleBeside(file)), os.RemoveAll(accountsBeside(file)))
	}
	fmt.Fprintf(out.out, "The running shop at %s hands its log, people and accounts out.\n", c.Server)
	if _, err := os.Stat(accountsBeside(file)); err == nil {
		fmt.Fprintf(out.out, "%s: it holds the hashes of passwords: a secret.\n", accountsBeside(file))
	}
	return log.VerifyBackup(ctx, file, nil)
}

func (c *backupCmd) unpack(r io.Reader, file string) error {
	names := map[string]string{memberLog: file, memberPeople: peopleBeside(file), memberAccounts: accountsBeside(file)}
	t := tar.NewReader(r)
	for { // the log comes last
		h, err := t.Next()
		if err != nil {
			return fmt.Errorf("the backup was cut short: %w", err)
		}
		name, ok := names[h.Name]
		if !ok {
			return fmt.Errorf("the shop sent %q, which does not belong into a backup", h.Name)
		}
		if h.Name != memberAccounts || h.Size > 0 {
			if err := writeNew(name, t); err != nil {
				return err
			}
		}
		if h.Name == memberLog {
			break
		}
	}
	if _, err := t.Next(); err != io.EOF {
		return errors.New("the backup was cut short at its end")
	}
	return nil
}

// writeNew writes a new file for its owner alone, and syncs it.
func writeNew(name string, r io.Reader) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, r)
	return errors.Join(err, f.Sync(), f.Close())
}

// hasPeople reports whether a data directory has a store of people.
func hasPeople(data string) bool { return hasStream(data, contacts.Stream) }

// hasStream reports whether a data directory has a stream beside the log.
func hasStream(data, stream string) bool {
	found, err := filepath.Glob(filepath.Join(logDir(data), "store", "jetstream", "*", "streams", stream))
	return err == nil && len(found) > 0
}

// dumpPeople writes the people of a stopped shop beside its backup.
func dumpPeople(ctx context.Context, out streams, data, file string) error {
	if !hasPeople(data) {
		return nil
	}
	return withStore(ctx, out, data, func(nc *nats.Conn) error { return writePeople(ctx, out, nc, file) })
}

// writePeople writes the people of a store beside a backup.
func writePeople(ctx context.Context, out streams, nc *nats.Conn, file string) error {
	var b bytes.Buffer
	n, err := contacts.Dump(ctx, nc, &b)
	if err == nil {
		err = writeNew(peopleBeside(file), &b)
	}
	if err != nil {
		return fmt.Errorf("the log is copied, but not the people: %w", err)
	}
	_, err = fmt.Fprintf(out.out, "%s: %d people; it holds personal data.\n", peopleBeside(file), n)
	return err
}

// dumpAccounts writes the accounts of a stopped shop beside its backup.
func dumpAccounts(ctx context.Context, out streams, data, file string) error {
	return withStore(ctx, out, data, func(nc *nats.Conn) error { return writeAccounts(ctx, out, nc, file) })
}

// writeAccounts writes the accounts of a store beside a backup, for its owner
// alone to read; nothing, if there are none.
func writeAccounts(ctx context.Context, out streams, nc *nats.Conn, file string) error {
	var b bytes.Buffer
	n, err := access.Dump(ctx, nc, &b)
	if err == nil && n == 0 {
		return nil
	}
	if err == nil {
		err = writeNew(accountsBeside(file), &b)
	}
	if err != nil {
		return fmt.Errorf("the log is copied, but not the accounts: %w", err)
	}
	_, err = fmt.Fprintf(out.out, "%s: %d accounts; it holds the hashes of passwords: a secret.\n", accountsBeside(file), n)
	return err
}

// loadAccounts puts the accounts of a backup into a restored store.
func loadAccounts(ctx context.Context, out streams, nc *nats.Conn, f *os.File, replicas int) error {
	n, err := access.Load(ctx, nc, f, replicas)
	if err != nil {
		return fmt.Errorf("the log is restored, but not all accounts: %s: %w", f.Name(), err)
	}
	if n == 0 {
		return nil
	}
	_, err = fmt.Fprintf(out.out, "%s: %d accounts, as they were then: who was shut out since is not. Everybody signs in anew; devices are paired and tokens made anew.\n", f.Name(), n)
	return err
}

// withPart opens what lies beside a backup, if it does.
func withPart(name string, do func(*os.File) error) error {
	f, err := os.Open(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	return do(f)
}

// loadPeople puts the people of a backup into a restored store.
func loadPeople(ctx context.Context, out streams, nc *nats.Conn, f *os.File, erased contacts.Erased, known bool, replicas int) error {
	came, stay, err := contacts.Load(ctx, nc, f, erased, replicas)
	if err != nil {
		return fmt.Errorf("the log is restored, but not all people: %s: %w", f.Name(), err)
	}
	if _, err = fmt.Fprintf(out.out, "%s: %d people, %d stay erased.\n", f.Name(), came, stay); err != nil || known {
		return err
	}
	_, err = fmt.Fprintln(out.out, "Who was erased after this backup was made is not known here: erase them again (tickover people erase).")
	return err
}

// erasedBefore are the people that a log which is about to be replaced knows to
// be erased; known is false if it can't be asked.
func erasedBefore(ctx context.Context, out streams, data string) (erased contacts.Erased, known bool) {
	if !hasPeople(data) {
		return nil, false
	}
	err := withStore(ctx, out, data, func(nc *nats.Conn) (err error) {
		erased, err = contacts.ErasedIn(ctx, nc)
		return err
	})
	return erased, err == nil
}

// withStore opens the store of a stopped shop.
func withStore(ctx context.Context, out streams, data string, do func(*nats.Conn) error) error {
	logger, err := logFlags{LogLevel: "error"}.logger(out)
	if err != nil {
		return err
	}
	return withLog(ctx, log.Options{Dir: logDir(data)}, logger, out, func(srv *log.Server) error {
		nc, err := srv.Connect()
		if err != nil {
			return err
		}
		defer nc.Close()
		return do(nc)
	})
}
