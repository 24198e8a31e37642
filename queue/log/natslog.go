package log

import (
	"fmt"
	"net"
	"strconv"

	"go.uber.org/zap"
)

// serverLogger hands the NATS server's lines on and keeps the reason of a start
// that failed.
type serverLogger struct {
	log   *zap.Logger
	fatal chan string
}

func (l *serverLogger) line(level func(string, ...zap.Field), format string, v []any) {
	level("log server", zap.String("line", fmt.Sprintf(format, v...)))
}

func (l *serverLogger) Noticef(format string, v ...any) { l.line(l.log.Debug, format, v) }
func (l *serverLogger) Warnf(format string, v ...any)   { l.line(l.log.Warn, format, v) }
func (l *serverLogger) Errorf(format string, v ...any)  { l.line(l.log.Error, format, v) }
func (l *serverLogger) Debugf(format string, v ...any)  {}
func (l *serverLogger) Tracef(format string, v ...any)  {}

func (l *serverLogger) Fatalf(format string, v ...any) {
	l.line(l.log.Error, format, v)
	select {
	case l.fatal <- fmt.Sprintf(format, v...):
	default:
	}
}

// splitLoopback takes "host:port" apart and refuses what other machines reach.
func splitLoopback(addr string) (string, int, error) {
	host, p, err := net.SplitHostPort(addr)
	if err != nil {
		return "", 0, fmt.Errorf("listen address %q: %w", addr, err)
	}
	port, err := strconv.Atoi(p)
	if err != nil || port < 0 || port > 65535 {
		return "", 0, fmt.Errorf("listen address %q: port must be 0 to 65535", addr)
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return "", 0, fmt.Errorf("listen address %q: only a loopback address such as 127.0.0.1 is allowed", addr)
	}
	if port == 0 {
		port = -1 // the server's word for any free port
	}
	return host, port, nil
}
