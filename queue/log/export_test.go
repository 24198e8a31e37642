package log

import (
	"context"
	"os"
	"slices"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
)

// RecordAt says where an entry lies, for tests that damage it.
type RecordAt struct {
	Path   string
	Offset int64
	Size   int64
	Seq    uint64
}

// Records lists the entries in the files of a whole log.
func Records(dir string) ([]RecordAt, error) {
	files, err := blockFiles(dir)
	if err != nil {
		return nil, err
	}
	var list []RecordAt
	for _, f := range files {
		buf, err := os.ReadFile(f.path)
		if err != nil {
			return nil, err
		}
		sum := blockSum(f.index)
		for at := int64(0); at < int64(len(buf)); {
			r, fault := cut(buf, at, sum)
			if fault != faultNone {
				break
			}
			list = append(list, RecordAt{f.path, at, int64(r.size), r.seq})
			at += int64(r.size)
		}
	}
	return list, nil
}

// StreamDir, the names under the log's directory.
var StreamDir = streamDir

const (
	CopyDir        = copyDir
	RestorePending = restorePending
)

// Load makes a log in dir of what from holds of a site, by way of a backup.
func Load(ctx context.Context, from Log, site queue.SiteID, dir string) error {
	path := dir + ".tgz"
	_, err := writeBackup(path, backupManifest{Layout: backupLayout, Format: queue.FormatVersion}, func(b *backupWriter) (checkResult, error) {
		c := newChecker("", nil, checkOptions{visit: b.entry})
		err := from.Read(ctx, site, 0, func(en *queue.Entry) error {
			body, err := en.Encode()
			if err != nil {
				return err
			}
			return c.take(&scan{}, &scanned{
				rawEntry: rawEntry{seq: en.Seq, stored: en.Stored, site: site, prev: en.Prev, format: 1, command: en.Command(), body: body},
				sum:      en.Hash(),
			})
		})
		return c.result, err
	})
	if err != nil {
		return err
	}
	_, err = fillStore(ctx, path, dir, RestoreOptions{Logger: zap.NewNop()})
	return err
}

// Doubt says why a leader's answer may be an old one.
var Doubt = doubt

// Silence tells when a node is no good.
type Silence struct{ s silence }

func (s *Silence) Heard(err error, sent, now time.Time) bool { return s.s.heard(err, sent, now) }

// FeedAll has all followers share one reader, also if they are few.
func (l *JetStream) FeedAll() {
	l.feed.mu.Lock()
	defer l.feed.mu.Unlock()
	l.feed.own = 0
}

// FeedLive reports whether the shared reader serves all who follow a site: they
// have read what was stored before.
func (l *JetStream) FeedLive(site queue.SiteID) bool {
	l.feed.mu.Lock()
	defer l.feed.mu.Unlock()
	all := l.feed.followers[site]
	return len(all) > 0 && !slices.ContainsFunc(all, func(w *follower) bool { return !w.live })
}

// WaitingMax is how many entries are kept for a slow follower.
const WaitingMax = waitingMax

// PublishAsIs stores an entry without a look at what it should follow.
func PublishAsIs(l *JetStream, en *queue.Entry, expectLast uint64) error {
	body, err := en.Encode()
	if err == nil {
		_, err = l.js.PublishMsg(context.Background(), l.message(en, body, expectLast))
	}
	return err
}

// FeedReads reports whether the shared reader is at work.
func (l *JetStream) FeedReads() bool {
	l.feed.mu.Lock()
	defer l.feed.mu.Unlock()
	return l.feed.reader != nil
}
