package floor

import (
	"context"
	"regexp"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/photos"
)

// When photos that nothing names are looked for.
const (
	sweepFirst = 15 * time.Minute // after a start, so that it waits for nobody
	sweepEvery = 24 * time.Hour
)

// sweeper deletes photos whose command was refused or dropped.
type sweeper struct {
	photos *photos.Store // nil: none are kept
	log    log.Log
	site   queue.SiteID
	now    func() time.Time
	logger *zap.Logger
	stop   context.CancelFunc
	ended  chan struct{}
}

// begin sweeps once a day until it is stopped.
func (s *sweeper) begin() {
	ctx, cancel := context.WithCancel(context.Background())
	s.stop, s.ended = cancel, make(chan struct{})
	go func() {
		defer close(s.ended)
		for wait := sweepFirst; ; wait = sweepEvery {
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
			}
			if _, err := s.sweep(ctx); err != nil && ctx.Err() == nil {
				s.logger.Warn("photos that nothing names were not looked for", zap.Error(err))
			}
		}
	}()
}

func (s *sweeper) end() {
	s.stop()
	<-s.ended
}

// sweep lets go of the photos that the log has not named for long enough. Phones
// keep the photos of what waits there and send them again with it.
func (s *sweeper) sweep(ctx context.Context) (photos.Swept, error) {
	if s.photos == nil {
		return photos.Swept{}, nil
	}
	done, err := s.photos.Sweep(ctx, s.now(), func(unnamed map[photos.Hash]bool) error {
		return s.log.Read(ctx, s.site, 0, func(en *queue.Entry) error { return strike(en, unnamed) })
	})
	if done != (photos.Swept{}) {
		s.logger.Info("photos swept", zap.Int("aside", done.Aside), zap.Int("back", done.Back), zap.Int("gone", done.Gone))
	}
	return done, err
}

// likeHash is anything that could be a photo's name, whatever field of whatever
// event it stands in.
var likeHash = regexp.MustCompile(`[0-9a-f]{64}`)

// strike takes out of the set what an entry names.
func strike(en *queue.Entry, unnamed map[photos.Hash]bool) error {
	b, err := en.Encode()
	if err != nil {
		return err
	}
	for _, h := range likeHash.FindAll(b, -1) {
		delete(unnamed, photos.Hash(h))
	}
	return nil
}

// SweepPhotos does now what is done once a day.
func (f *Floor) SweepPhotos(ctx context.Context) (photos.Swept, error) { return f.sweeper.sweep(ctx) }
