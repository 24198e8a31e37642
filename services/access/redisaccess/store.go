// Package redisaccess keeps sessions and the sign-in throttle of a site in
// Redis, where all floors see them.
//
// Redis may lose everything, or be away: access.Recent before it lets who is
// signed in go on. Accounts, devices and
// tokens belong in a store that lasts; access.Split keeps the two apart. Redis
// must not come back with an older state (save ""), or sessions that were ended
// would be alive again.
package redisaccess

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/redis/go-redis/v9"

	"tickover/queue"
	"tickover/services/access"
)

// Store is an [access.Store] in Redis. Times are Redis's own.
type Store struct {
	c    *redis.Client
	base string
}

var _ access.Store = (*Store)(nil)

// New keeps the site's values in the client's database.
func New(c *redis.Client, site queue.SiteID) *Store {
	return &Store{c, "tickover:access:" + string(site) + ":"}
}

func (s *Store) key(key string) string { return s.base + "key:" + key }
func (s *Store) index() string         { return s.base + "index" }

// takeAny stands for [access.Any] in the scripts.
const takeAny = "any"

func after(rev uint64) string {
	if rev == access.Any {
		return takeAny
	}
	return strconv.FormatUint(rev, 10)
}

var (
	// KEYS: value, index, last revision. ARGV: after, value, ms to live, name.
	// A revision is the time in microseconds, and more than the last: no
	// revision is used twice, not even after everything was lost.
	setScript = redis.NewScript(`
local rev = redis.call('HGET', KEYS[1], 'rev') or '0'
if ARGV[1] ~= 'any' and ARGV[1] ~= rev then return 0 end
local t = redis.call('TIME')
local new = math.max(t[1] * 1000000 + t[2], tonumber(redis.call('GET', KEYS[3]) or '0') + 1)
local text = string.format('%.0f', new)
redis.call('SET', KEYS[3], text)
redis.call('HSET', KEYS[1], 'rev', text, 'value', ARGV[2])
if tonumber(ARGV[3]) > 0 then redis.call('PEXPIRE', KEYS[1], ARGV[3]) else redis.call('PERSIST', KEYS[1]) end
redis.call('ZADD', KEYS[2], 0, ARGV[4])
return 1`)

	// KEYS: value, index. ARGV: after, name.
	deleteScript = redis.NewScript(`
local rev = redis.call('HGET', KEYS[1], 'rev')
if not rev then return -1 end
if ARGV[1] ~= 'any' and ARGV[1] ~= rev then return 0 end
redis.call('DEL', KEYS[1])
redis.call('ZREM', KEYS[2], ARGV[2])
return 1`)

	// KEYS: index. ARGV: prefix of values, prefix of names. Names whose value is
	// over are dropped.
	listScript = redis.NewScript(`
local out = {}
for _, name in ipairs(redis.call('ZRANGEBYLEX', KEYS[1], '[' .. ARGV[2], '[' .. ARGV[2] .. '\255')) do
  if redis.call('EXISTS', ARGV[1] .. name) == 1 then out[#out + 1] = name else redis.call('ZREM', KEYS[1], name) end
end
return out`)
)

// Get implements [access.Store].
func (s *Store) Get(ctx context.Context, key string) (access.Item, error) {
	v, err := s.c.HMGet(ctx, s.key(key), "rev", "value").Result()
	if err != nil {
		return access.Item{}, fmt.Errorf("access: read: %w", err)
	}
	text, _ := v[0].(string)
	value, ok := v[1].(string)
	rev, err := strconv.ParseUint(text, 10, 64)
	if !ok || err != nil {
		return access.Item{}, access.ErrNone
	}
	return access.Item{Value: []byte(value), Revision: rev}, nil
}

// Set implements [access.Store].
func (s *Store) Set(ctx context.Context, key string, value []byte, rev uint64, ttl time.Duration) error {
	if len(key) > access.KeyMax || len(value) == 0 || len(value) > access.ValueMax {
		return fmt.Errorf("access: a value of %d bytes can't be kept", len(value))
	}
	ms := ttl.Milliseconds()
	if ttl > 0 {
		ms = max(ms, 1)
	}
	done, err := setScript.Run(ctx, s.c, []string{s.key(key), s.index(), s.base + "revision"}, after(rev), value, ms, key).Int()
	switch {
	case err != nil:
		return fmt.Errorf("access: write: %w", err)
	case done == 0:
		return access.ErrChanged
	}
	return nil
}

// Delete implements [access.Store].
func (s *Store) Delete(ctx context.Context, key string, rev uint64) error {
	done, err := deleteScript.Run(ctx, s.c, []string{s.key(key), s.index()}, after(rev), key).Int()
	switch {
	case err != nil:
		return fmt.Errorf("access: remove: %w", err)
	case done < 0:
		return access.ErrNone
	case done == 0:
		return access.ErrChanged
	}
	return nil
}

// List implements [access.Store].
func (s *Store) List(ctx context.Context, prefix string) ([]string, error) {
	names, err := listScript.Run(ctx, s.c, []string{s.index()}, s.key(""), prefix).StringSlice()
	if err != nil && !errors.Is(err, redis.Nil) {
		return nil, fmt.Errorf("access: list: %w", err)
	}
	return names, nil
}
