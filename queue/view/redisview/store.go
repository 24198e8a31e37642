// Package redisview keeps shared read models in Redis.
//
//	client, err := redisview.Dial("redis://:secret@10.0.0.5:6379/0", logger)
//	store := redisview.New(client)
//
// A site's rows lie under a generation; the head names the one that counts. A whole is written beside the one in force, in pieces, and a script
// makes it the one in force if it is newer and arrived whole, so that readers
// never see half of it and Redis is never blocked for long. Each read is one
// script too: it counts the rows, and what was evicted or lost in part is
// missing.
//
// One Redis, with replicas or without; Redis Cluster is not supported, because
// the keys of a generation are known to the scripts alone.
package redisview

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/redis/go-redis/v9"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
)

// Bounds.
const (
	chunkRows      = 500 // in one round trip
	generationLife = 2 * time.Minute
	timeout        = 2 * time.Second // of one round trip
)

// Dial makes a client that gives up soon: what is in Redis can be had
// otherwise. It does not connect yet.
func Dial(url string, logger *zap.Logger) (*redis.Client, error) {
	o, err := redis.ParseURL(url)
	if err != nil {
		// The library's error may quote the address with its password.
		return nil, errors.New("the address of Redis can't be read; write it as redis://host:6379/0, rediss://… for TLS, or unix:///run/redis/redis.sock")
	}
	o.DialTimeout, o.ReadTimeout, o.WriteTimeout = timeout, timeout, timeout
	o.DialerRetries, o.MaxRetries = 1, 1
	o.ContextTimeoutEnabled = true
	o.DisableIdentity = true
	if logger == nil {
		logger = zap.NewNop()
	}
	redis.SetLogger(quiet{logger.Named("redis")})
	return redis.NewClient(o), nil
}

// quiet keeps the library's own lines off standard error.
type quiet struct{ log *zap.Logger }

func (q quiet) Printf(_ context.Context, format string, v ...any) {
	q.log.Debug("redis client", zap.String("line", fmt.Sprintf(format, v...)))
}

// Store is a [view.Store] in Redis.
type Store struct{ c *redis.Client }

var _ view.Store = (*Store)(nil)

// New keeps views in the client's database.
func New(c *redis.Client) *Store { return &Store{c} }

// Keys of a site. The number changes with the form of what is kept, so that
// processes of two versions don't read each other's.
const (
	prefix   = "tickover:view2:"
	sitesKey = prefix + "sites"
)

func base(site queue.SiteID) string    { return prefix + string(site) }
func headKey(site queue.SiteID) string { return base(site) + ":head" }
func snapKey(site queue.SiteID) string { return base(site) + ":snapshot" }
func rowsKey(site queue.SiteID, gen string) string {
	return base(site) + ":" + gen + ":rows"
}

// Answers of the scripts.
const (
	answerOld     = 0
	answerDone    = 1
	answerMissing = -1
)

// lib is what the scripts share: whole tells whether what the head counts is
// there.
const lib = `
local function whole(base)
  local h = redis.call('HMGET', base .. ':head', 'seq', 'gen', 'rows', 'head')
  if not (h[1] and h[2] and h[3] and h[4]) then return nil end
  local rows = base .. ':' .. h[2] .. ':rows'
  if redis.call('HLEN', rows) ~= tonumber(h[3]) then return nil end
  return {seq = tonumber(h[1]), gen = h[2], head = h[4], rows = rows}
end
`

var (
	// ARGV: base, generation, sequence, rows, head.
	swapScript = redis.NewScript(lib + `
local base, gen, seq, n = ARGV[1], ARGV[2], tonumber(ARGV[3]), tonumber(ARGV[4])
local rows = base .. ':' .. gen .. ':rows'
local now = whole(base)
if now and now.seq >= seq then
  redis.call('DEL', rows)
  return 0
end
if redis.call('HLEN', rows) ~= n then return -1 end
if n > 0 and redis.call('PERSIST', rows) ~= 1 then return -1 end
local old = redis.call('HGET', base .. ':head', 'gen')
redis.call('HSET', base .. ':head', 'seq', ARGV[3], 'gen', gen, 'rows', n, 'head', ARGV[5])
if old then redis.call('UNLINK', base .. ':' .. old .. ':rows') end
return 1`)

	// ARGV: base, from, to, head, gone, then the ids of those gone, then unit
	// and row by turns.
	advanceScript = redis.NewScript(lib + `
local base, from, to, gone = ARGV[1], tonumber(ARGV[2]), tonumber(ARGV[3]), tonumber(ARGV[5])
local now = whole(base)
if not now or now.seq < from then return -1 end
if now.seq >= to then return 0 end
for i = 6, 5 + gone do redis.call('HDEL', now.rows, ARGV[i]) end
for i = 6 + gone, #ARGV, 2 do redis.call('HSET', now.rows, ARGV[i], ARGV[i + 1]) end
redis.call('HSET', base .. ':head', 'seq', ARGV[3], 'rows', redis.call('HLEN', now.rows), 'head', ARGV[4])
return 1`)

	// ARGV: base.
	unitsScript = redis.NewScript(lib + `
local now = whole(ARGV[1])
if not now then return -1 end
return {now.head, redis.call('HVALS', now.rows)}`)

	// ARGV: base.
	headScript = redis.NewScript(lib + `
local now = whole(ARGV[1])
if not now then return -1 end
return now.head`)

	// KEYS: snapshot. ARGV: sequence, hash, format, sum, data.
	snapshotScript = redis.NewScript(`
local now = redis.call('HGET', KEYS[1], 'seq')
if now and tonumber(now) >= tonumber(ARGV[1]) then return 0 end
redis.call('HSET', KEYS[1], 'seq', ARGV[1], 'hash', ARGV[2], 'format', ARGV[3], 'sum', ARGV[4], 'data', ARGV[5])
return 1`)
)

// away tells what went wrong with the store.
func away(what string, err error) error {
	return fmt.Errorf("%s: %w: %w", what, view.ErrAway, err)
}

func (s *Store) run(ctx context.Context, sc *redis.Script, args ...any) (any, error) {
	return sc.Run(ctx, s.c, nil, args...).Result()
}

// Head implements [view.Store].
func (s *Store) Head(ctx context.Context, site queue.SiteID) (view.Head, error) {
	v, err := s.run(ctx, headScript, base(site))
	if err != nil {
		return view.Head{}, away("read the head of site "+string(site), err)
	}
	return headOf(site, v)
}

func headOf(site queue.SiteID, v any) (h view.Head, err error) {
	text, ok := v.(string)
	if !ok || json.Unmarshal([]byte(text), &h) != nil {
		return view.Head{}, view.Missing(site)
	}
	return h, nil
}

// Heads implements [view.Store].
func (s *Store) Heads(ctx context.Context) ([]view.Head, error) {
	sites, err := s.sites(ctx)
	if err != nil {
		return nil, away("list sites", err)
	}
	answers, err := s.each(ctx, headScript, sites)
	if err != nil {
		return nil, away("read the heads", err)
	}
	var out []view.Head
	for i, v := range answers {
		if h, err := headOf(sites[i], v); err == nil {
			out = append(out, h)
		}
	}
	return out, nil
}

func (s *Store) sites(ctx context.Context) ([]queue.SiteID, error) {
	names, err := s.c.SMembers(ctx, sitesKey).Result()
	slices.Sort(names)
	var sites []queue.SiteID
	for _, n := range names {
		if site := queue.SiteID(n); log.CheckSite(site) == nil {
			sites = append(sites, site)
		}
	}
	return sites, err
}

// each runs a script for every site in one round trip.
func (s *Store) each(ctx context.Context, sc *redis.Script, sites []queue.SiteID, args ...any) ([]any, error) {
	if len(sites) == 0 {
		return nil, nil
	}
	// A pipeline can't fall back when the script is not known yet.
	if err := sc.Load(ctx, s.c).Err(); err != nil {
		return nil, err
	}
	cmds := make([]*redis.Cmd, len(sites))
	_, err := s.c.Pipelined(ctx, func(p redis.Pipeliner) error {
		for i, site := range sites {
			cmds[i] = p.EvalSha(ctx, sc.Hash(), nil, append([]any{base(site)}, args...)...)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	out := make([]any, len(sites))
	for i, c := range cmds {
		out[i] = c.Val()
	}
	return out, nil
}

// Put implements [view.Store].
func (s *Store) Put(ctx context.Context, all view.Whole) (bool, error) {
	if err := view.Check(&view.Change{Head: all.Head}); err != nil {
		return false, err
	}
	site := all.Head.Site
	if h, err := s.Head(ctx, site); err == nil && h.Seq >= all.Head.Seq {
		return false, nil
	} else if errors.Is(err, view.ErrAway) {
		return false, err
	}
	head, err := json.Marshal(all.Head)
	if err != nil {
		return false, err
	}
	gen := uuid.NewString()
	for chunk := range slices.Chunk(all.Rows, chunkRows) {
		if err := s.write(ctx, site, gen, chunk); err != nil {
			return false, away("write the views of site "+string(site), err)
		}
	}
	v, err := s.run(ctx, swapScript, base(site), gen, all.Head.Seq, len(all.Rows), head)
	if err == nil {
		err = s.c.SAdd(ctx, sitesKey, string(site)).Err()
	}
	switch {
	case err != nil:
		return false, away("write the views of site "+string(site), err)
	case v == int64(answerMissing):
		return false, away("write the views of site "+string(site), errors.New("it lost what was written a moment ago"))
	}
	return v == int64(answerDone), nil
}

// write adds rows to a generation that nobody reads yet; Redis drops it if it
// never comes into force.
func (s *Store) write(ctx context.Context, site queue.SiteID, gen string, rows []view.Row) error {
	_, err := s.c.TxPipelined(ctx, func(p redis.Pipeliner) error {
		var fields []any
		for i := range rows {
			text, err := json.Marshal(&rows[i])
			if err != nil {
				return err
			}
			fields = append(fields, string(rows[i].Unit), text)
		}
		p.HSet(ctx, rowsKey(site, gen), fields...)
		p.Expire(ctx, rowsKey(site, gen), generationLife)
		return nil
	})
	return err
}

// Advance implements [view.Store].
func (s *Store) Advance(ctx context.Context, c view.Change) (bool, error) {
	if err := view.Check(&c); err != nil {
		return false, err
	}
	head, err := json.Marshal(c.Head)
	if err != nil {
		return false, err
	}
	args := []any{base(c.Head.Site), c.From, c.Head.Seq, head, len(c.Gone)}
	for _, id := range c.Gone {
		args = append(args, string(id))
	}
	for i := range c.Rows {
		text, err := json.Marshal(&c.Rows[i])
		if err != nil {
			return false, err
		}
		args = append(args, string(c.Rows[i].Unit), text)
	}
	if len(args) > 2*chunkRows {
		// So much at once is no change but a whole.
		return false, fmt.Errorf("%w: %d units at once", view.ErrBehind, len(c.Rows)+len(c.Gone))
	}
	v, err := s.run(ctx, advanceScript, args...)
	switch {
	case err != nil:
		return false, away("move the views of site "+string(c.Head.Site), err)
	case v == int64(answerMissing):
		return false, fmt.Errorf("%w: site %s", view.ErrBehind, c.Head.Site)
	}
	return v == int64(answerDone), nil
}

// Drop implements [view.Store].
func (s *Store) Drop(ctx context.Context, site queue.SiteID) error {
	gen, err := s.c.HGet(ctx, headKey(site), "gen").Result()
	if err != nil && !errors.Is(err, redis.Nil) {
		return away("forget site "+string(site), err)
	}
	if err := s.c.Unlink(ctx, headKey(site), snapKey(site), rowsKey(site, gen)).Err(); err != nil {
		return away("forget site "+string(site), err)
	}
	return nil
}

// Units implements [view.Store].
func (s *Store) Units(ctx context.Context, site queue.SiteID) (view.Head, []view.Row, error) {
	v, err := s.run(ctx, unitsScript, base(site))
	if err != nil {
		return view.Head{}, nil, away("read the units of site "+string(site), err)
	}
	pair, _ := v.([]any)
	if len(pair) != 2 {
		return view.Head{}, nil, view.Missing(site)
	}
	head, err := headOf(site, pair[0])
	if err != nil {
		return view.Head{}, nil, err
	}
	rows, err := rowsOf(pair[1])
	if err != nil {
		return view.Head{}, nil, view.Missing(site)
	}
	view.Sort(rows)
	return head, rows, nil
}

func rowsOf(v any) ([]view.Row, error) {
	list, _ := v.([]any)
	rows := make([]view.Row, 0, len(list))
	for _, x := range list {
		text, _ := x.(string)
		var r view.Row
		if err := json.Unmarshal([]byte(text), &r); err != nil {
			return nil, err
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// SaveSnapshot implements [view.Store]. It is stored compressed.
func (s *Store) SaveSnapshot(ctx context.Context, sn log.Snapshot) error {
	if err := log.CheckSite(sn.Site); err != nil {
		return err
	}
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestSpeed)
	if err != nil {
		return err
	}
	if _, err = z.Write(sn.Data); err == nil {
		err = z.Close()
	}
	if err != nil {
		return err
	}
	if packed.Len() > snapshotBytesMax {
		return fmt.Errorf("share the snapshot of site %s: %d MiB compressed, at most %d are shared", sn.Site, packed.Len()>>20, snapshotBytesMax>>20)
	}
	err = snapshotScript.Run(ctx, s.c, []string{snapKey(sn.Site)}, sn.Seq, string(sn.Hash), sn.Format, sum(packed.Bytes()), packed.Bytes()).Err()
	if err != nil {
		return away("share the snapshot of site "+string(sn.Site), err)
	}
	return nil
}

const snapshotBytesMax = 64 << 20

func sum(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// LoadSnapshot implements [view.Store].
func (s *Store) LoadSnapshot(ctx context.Context, site queue.SiteID, format int) (*log.Snapshot, []log.Ignored, error) {
	m, err := s.c.HGetAll(ctx, snapKey(site)).Result()
	if err != nil {
		return nil, nil, away("read the shared snapshot of site "+string(site), err)
	}
	if len(m) == 0 {
		return nil, nil, nil
	}
	over := func(why string) (*log.Snapshot, []log.Ignored, error) {
		return nil, []log.Ignored{{File: "shared", Why: why}}, nil
	}
	seq, err := strconv.ParseUint(m["seq"], 10, 64)
	if err != nil || m["sum"] != sum([]byte(m["data"])) {
		return over("its checksum does not match")
	}
	if m["format"] != strconv.Itoa(format) {
		return over(fmt.Sprintf("it has format %s, want %d", m["format"], format))
	}
	z, err := gzip.NewReader(strings.NewReader(m["data"]))
	if err != nil {
		return over(err.Error())
	}
	data, err := io.ReadAll(io.LimitReader(z, log.SnapshotBytesMax+1))
	if err != nil || len(data) > log.SnapshotBytesMax {
		return over("it can't be unpacked")
	}
	return &log.Snapshot{Site: site, Seq: seq, Hash: queue.Hash(m["hash"]), Format: format, Data: data}, nil, nil
}
