package access

import (
	"context"
	"strings"
	"time"
)

// Split keeps sessions, counts of attempts and what was used up, which may be lost, in one store,
// and accounts, devices and tokens, which may not, in another.
type Split struct {
	Lasting, Passing Store
}

func (s Split) of(key string) Store {
	if strings.HasPrefix(key, "session.") || strings.HasPrefix(key, "tries.") || strings.HasPrefix(key, "used.") {
		return s.Passing
	}
	return s.Lasting
}

// Get implements [Store].
func (s Split) Get(ctx context.Context, key string) (Item, error) { return s.of(key).Get(ctx, key) }

// Set implements [Store].
func (s Split) Set(ctx context.Context, key string, value []byte, after uint64, ttl time.Duration) error {
	return s.of(key).Set(ctx, key, value, after, ttl)
}

// Delete implements [Store].
func (s Split) Delete(ctx context.Context, key string, after uint64) error {
	return s.of(key).Delete(ctx, key, after)
}

// List implements [Store].
func (s Split) List(ctx context.Context, prefix string) ([]string, error) {
	return s.of(prefix).List(ctx, prefix)
}
