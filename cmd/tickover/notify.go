package main

import (
	"context"
	"net"
	"os"
	"strconv"
	"time"

	"go.uber.org/zap"
)

// notify tells systemd how the process is, if it asked to know (sd_notify(3)).
func notify(state string) {
	addr := os.Getenv("NOTIFY_SOCKET")
	if addr == "" {
		return
	}
	if addr[0] == '@' { // an abstract name
		addr = "\x00" + addr[1:]
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: addr, Net: "unixgram"})
	if err != nil {
		return
	}
	defer c.Close()
	_, _ = c.Write([]byte(state))
}

// watchdog tells systemd, as often as it asked to know (WATCHDOG_USEC), that the
// process is alive; one that is not well keeps silent, and is started again.
func watchdog(ctx context.Context, well func(context.Context) error, logger *zap.Logger) error {
	usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || usec <= 0 || os.Getenv("WATCHDOG_PID") != "" && os.Getenv("WATCHDOG_PID") != strconv.Itoa(os.Getpid()) {
		return nil
	}
	tick := time.NewTicker(time.Duration(usec) * time.Microsecond / 3)
	defer tick.Stop()
	for {
		if err := well(ctx); err == nil {
			notify("WATCHDOG=1")
		} else if ctx.Err() == nil {
			logger.Error("not well: nothing is said to the watchdog", zap.Error(err))
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}
