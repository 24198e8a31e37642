package log

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// ErrLocked: another process has the log's directory.
var ErrLocked = errors.New("log directory is in use")

// dirLock keeps other processes off a directory. The kernel frees it when the
// process ends, however it ends.
type dirLock struct{ f *os.File }

func lockDir(dir string) (*dirLock, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock the log directory: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		pid := make([]byte, 20)
		n, _ := f.ReadAt(pid, 0)
		f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("lock the log directory: %w", err)
		}
		return nil, fmt.Errorf("%w: %s is open in process %s. Stop that one, or use another directory", ErrLocked, dir, strings.TrimSpace(string(pid[:n])))
	}
	if err = f.Truncate(0); err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock the log directory: %w", err)
	}
	return &dirLock{f}, nil
}

func (l *dirLock) unlock() error { return l.f.Close() }
