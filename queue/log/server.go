package log

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/sys/unix"

	"tickover/queue"
)

// Options of an embedded log. Only Dir must be set.
type Options struct {
	// Dir holds everything: store/ (the server's files), mark (the high-water
	// mark), snapshots/, lock.
	Dir string
	// StoreLimitBytes is the size at which the log takes no more. 0, and
	// whatever is more than the disk can hold: the free disk without
	// DiskReserveBytes.
	StoreLimitBytes int64
	// DiskReserveBytes of the disk are left free, because a disk that is full
	// to the brim stops the store until it is started again. 0: 256 MiB, or a
	// tenth of a small disk.
	DiskReserveBytes int64
	// Listen is a loopback address such as "127.0.0.1:4225" on which other
	// processes may connect with Token. Empty: nobody can.
	Listen string
	Token  string
	// Program is this program's version, kept with each entry.
	Program string
	// Timeout of one request to the server. 0: 5 s.
	Timeout time.Duration
	// MarkSync is how often the high-water mark is put on disk. 0: 1 s.
	MarkSync time.Duration
	// Progress hears how far the check at the start is; nil: nobody.
	Progress Progress
	// Logger; nil: none.
	Logger *zap.Logger
}

func (o *Options) defaults() error {
	if o.Dir == "" {
		return errors.New("open log: no directory given")
	}
	if o.Timeout == 0 {
		o.Timeout = 5 * time.Second
	}
	if o.MarkSync == 0 {
		o.MarkSync = time.Second
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	return nil
}

// storeSub is where the server keeps its files under Options.Dir.
const storeSub = "store"

// streamDir is the stream's folder under the log's directory, as the server
// lays it out.
func streamDir(dir string) string {
	return filepath.Join(dir, storeSub, "jetstream", "$G", "streams", StreamName)
}

// Server is a log in this process: a NATS server over the files of one
// directory. Other parts of the program talk to it by [Server.Connect].
type Server struct {
	*JetStream
	opts   Options
	lock   *dirLock
	srv    *server.Server
	mark   *mark
	report StartReport

	diskReserve int64
	stopKeeper  context.CancelFunc
	keeperDone  chan struct{}
	closeOnce   sync.Once
	closeErr    error
}

// StartReport says what was found when the log was opened.
type StartReport struct {
	Entries   uint64        // in the log
	Sites     int           // that have entries
	Unclean   bool          // the program was not stopped properly before
	Mark      Position      // high-water mark that was found
	MarkFound bool          // false: the mark was missing or unreadable
	Took      time.Duration // of the check
	// Dropped tells of bytes of an entry that was being written when the
	// program was stopped and was never acknowledged; empty if none.
	Dropped string
}

// Open checks the log in opts.Dir and serves it. Errors wrap ErrLocked or
// queue.ErrNewerFormat, or are a [*DamageError]; the files are then as they
// were.
func Open(ctx context.Context, opts Options) (_ *Server, err error) {
	if err := opts.defaults(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(opts.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("open log: %w", err)
	}
	lock, err := lockDir(opts.Dir)
	if err != nil {
		return nil, err
	}
	s := &Server{opts: opts, lock: lock}
	defer func() {
		if err != nil {
			s.abort()
		}
	}()
	if err := s.start(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

// start brings the parts up in an order in which each can trust the one
// before: check the files, start the server, compare what it sees, serve.
func (s *Server) start(ctx context.Context) error {
	if err := checkPending(s.opts.Dir); err != nil {
		return err
	}
	found, err := s.examine(ctx)
	if err != nil {
		return err
	}
	limit, err := s.storeLimit()
	if err != nil {
		return err
	}
	if s.srv, err = startServer(s.opts, limit, true); err != nil {
		return err
	}
	nc, err := s.Connect(nats.Name("log"))
	if err != nil {
		return fmt.Errorf("open log: %w", err)
	}
	if s.JetStream, err = newJetStream(ctx, nc, 1, s.opts.Program, s.opts.Timeout, s.opts.Logger); err != nil {
		nc.Close()
		return err
	}
	if err := s.compare(ctx, found); err != nil {
		return err
	}
	if err := s.forgetCopy(); err != nil {
		return fmt.Errorf("open log: %w", err)
	}
	if s.mark, err = openMark(s.opts.Dir, found.last); err != nil {
		return err
	}
	s.guard, s.stored, s.explain = s.checkDisk, s.advance, s.health
	keeper, cancel := context.WithCancel(context.Background())
	s.stopKeeper, s.keeperDone = cancel, make(chan struct{})
	go s.keepMark(keeper)
	return nil
}

func startServer(o Options, limit int64, sync bool) (*server.Server, error) {
	so := &server.Options{
		ServerName: "tickover", DontListen: true, NoSigs: true,
		JetStream: true, StoreDir: filepath.Join(o.Dir, storeSub), SyncAlways: sync,
		JetStreamMaxStore: limit, JetStreamMaxMemory: 64 << 20,
		MaxPayload: queue.EntryBytesMax + 64<<10,
	}
	if o.Listen != "" {
		host, port, err := splitLoopback(o.Listen)
		if err != nil {
			return nil, err
		}
		if o.Token == "" {
			return nil, errors.New("open log: listening needs a token")
		}
		so.DontListen, so.Host, so.Port, so.Authorization = false, host, port, o.Token
	}
	srv, err := server.NewServer(so)
	if err != nil {
		return nil, fmt.Errorf("open log: %w", err)
	}
	logger := &serverLogger{log: o.Logger.Named("nats"), fatal: make(chan string, 1)}
	srv.SetLoggerV2(logger, false, false, false)
	srv.Start()
	if !srv.ReadyForConnections(10 * time.Second) {
		srv.Shutdown()
		srv.WaitForShutdown()
		why := "it did not get ready within 10 s"
		select {
		case why = <-logger.fatal:
		default:
		}
		return nil, fmt.Errorf("open log: the server did not start: %s", why)
	}
	return srv, nil
}

// Connect returns a connection inside this process. The caller closes it
// before the server.
func (s *Server) Connect(opts ...nats.Option) (*nats.Conn, error) {
	opts = append([]nats.Option{nats.InProcessServer(s.srv), nats.MaxReconnects(-1)}, opts...)
	if s.opts.Token != "" {
		opts = append(opts, nats.Token(s.opts.Token))
	}
	return nats.Connect("", opts...)
}

// URL is the address for other processes, empty without Options.Listen.
func (s *Server) URL() string {
	if s.opts.Listen == "" {
		return ""
	}
	return s.srv.ClientURL()
}

// Report says what was found at the start.
func (s *Server) Report() StartReport { return s.report }

// Close stops the log properly. Appends that are under way may end with
// ErrNotDurable or ErrClosed.
func (s *Server) Close() error {
	s.closeOnce.Do(func() {
		s.stopKeeper()
		<-s.keeperDone
		ctx, cancel := context.WithTimeout(context.Background(), s.opts.Timeout)
		defer cancel()
		err := s.noteLast(ctx)
		if why := s.health(); why != "" && err == nil {
			err = fmt.Errorf("close log: %s", why)
		}
		s.nc.Close()
		s.srv.Shutdown()
		s.srv.WaitForShutdown()
		s.closeErr = errors.Join(err, s.mark.close(err == nil), s.lock.unlock())
	})
	return s.closeErr
}

// abort undoes a start that failed, and what the server did to the files.
func (s *Server) abort() {
	if s.JetStream != nil {
		s.nc.Close()
	}
	if s.srv != nil {
		s.srv.Shutdown()
		s.srv.WaitForShutdown()
	}
	if s.mark != nil {
		_ = s.mark.close(false)
	} else if err := s.undoStart(); err != nil {
		s.opts.Logger.Error("log: files not put back; the next start does", zap.Error(err))
	}
	_ = s.lock.unlock()
}

// advance notes an acknowledged entry in the mark. A mark that can't be
// written is no reason to refuse what is on disk already.
func (s *Server) advance(pos Position) {
	if err := s.mark.advance(pos); err != nil {
		s.log.Error("high-water mark not written", zap.Error(err))
	}
}

// keepMark puts the mark on disk at intervals, and moves it to what others
// appended over the network.
func (s *Server) keepMark(ctx context.Context) {
	defer close(s.keeperDone)
	t := time.NewTicker(s.opts.MarkSync)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		if err := errors.Join(s.noteLast(ctx), s.mark.sync()); err != nil && ctx.Err() == nil {
			s.log.Warn("high-water mark not kept", zap.Error(err))
		}
	}
}

func (s *Server) noteLast(ctx context.Context) error {
	info, err := s.stream.Info(ctx)
	if err != nil {
		return s.requestError("read the log's state", err)
	}
	if info.State.LastSeq <= s.mark.position().Seq {
		return nil
	}
	last, err := s.lastOfStream(ctx)
	if err != nil {
		return err
	}
	return s.mark.advance(last)
}

// lastOfStream is the position of the last entry of all sites.
func (s *Server) lastOfStream(ctx context.Context) (Position, error) {
	info, err := s.stream.Info(ctx)
	if err != nil {
		return Position{}, s.requestError("read the log's state", err)
	}
	if info.State.LastSeq == 0 {
		return Position{}, nil
	}
	m, err := s.stream.GetMsg(ctx, info.State.LastSeq)
	if err != nil {
		return Position{}, s.requestError("read the last entry", err)
	}
	r, err := rawOf(m.Subject, m.Header.Get, m.Data, m.Sequence, m.Time)
	return Position{m.Sequence, r.hash()}, err
}

// storeLimit is the size that the store may reach: never more than what the
// disk has, without the reserve.
func (s *Server) storeLimit() (int64, error) {
	var fs unix.Statfs_t
	if err := unix.Statfs(s.opts.Dir, &fs); err != nil {
		return 0, fmt.Errorf("open log: free disk: %w", err)
	}
	bsize := int64(fs.Bsize)
	s.diskReserve = s.opts.DiskReserveBytes
	if s.diskReserve == 0 {
		s.diskReserve = min(256<<20, int64(fs.Blocks)*bsize/10)
	}
	used, err := dirSize(filepath.Join(s.opts.Dir, storeSub))
	if err != nil {
		return 0, fmt.Errorf("open log: %w", err)
	}
	limit := max(used, used+int64(fs.Bavail)*bsize-s.diskReserve)
	if s.opts.StoreLimitBytes > 0 {
		limit = min(limit, s.opts.StoreLimitBytes)
	}
	return max(limit, 1), nil
}

// checkDisk refuses an append that the disk might not hold: the server's own
// answer to a full disk is silence until it is started again.
func (s *Server) checkDisk() error {
	var fs unix.Statfs_t
	if err := unix.Statfs(s.opts.Dir, &fs); err != nil {
		return fmt.Errorf("%w: free disk can't be read: %v", ErrFull, err)
	}
	if free := int64(fs.Bavail) * int64(fs.Bsize); free < s.diskReserve {
		return fmt.Errorf("%w: the disk of %s has %d MiB left, %d MiB are kept free. Free disk space; reading goes on, nothing was stored", ErrFull, s.opts.Dir, free>>20, s.diskReserve>>20)
	}
	return nil
}

// health says why the server does not answer, if it knows. It gives itself a
// millisecond to look at its listeners, which a busy machine may not give it, so
// that what it says is believed when it says it again and again.
func (s *Server) health() string {
	for asked := 1; ; asked++ {
		h := s.srv.Healthz(&server.HealthzOptions{})
		switch {
		case h.Error == "":
			return ""
		case asked == healthAsked:
			return h.Error + ". Free disk space and start the program again; what was acknowledged is safe"
		}
		time.Sleep(healthPause)
	}
}

// How often the server is asked for its health before it is believed to be ill.
const (
	healthAsked = 20
	healthPause = 10 * time.Millisecond
)

func dirSize(dir string) (int64, error) {
	var sum int64
	err := filepath.WalkDir(dir, func(_ string, d os.DirEntry, err error) error {
		if errors.Is(err, os.ErrNotExist) {
			return nil
		}
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			sum += info.Size()
		}
		return err
	})
	return sum, err
}
