package floor

import (
	"fmt"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"

	"go.uber.org/zap"
)

// policy lets a page load its own files and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"worker-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// secure puts the checks and headers around every answer.
func secure(next http.Handler, hosts []string, logger *zap.Logger) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "This was sent by a page of another site, so nothing was done. Open Tickover's own page and do it there.", http.StatusForbidden)
	}))
	guarded := guard.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		if !allowed(r.Host, hosts) {
			http.Error(w, fmt.Sprintf("Tickover is not known as %q. Open it as http://127.0.0.1, or add the name to the allowed hosts.", r.Host), http.StatusMisdirectedRequest)
			return
		}
		defer recoverPanic(w, r, logger)
		guarded.ServeHTTP(w, r)
	})
}

// allowed keeps out a foreign name that was made to point here.
func allowed(hostport string, hosts []string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.ToLower(strings.Trim(host, "[]"))
	return loopback(host) || slices.Contains(hosts, host)
}

func recoverPanic(w http.ResponseWriter, r *http.Request, logger *zap.Logger) {
	p := recover()
	if p == nil {
		return
	}
	if p == http.ErrAbortHandler {
		panic(p)
	}
	logger.Error("request panicked", zap.String("method", r.Method), zap.String("path", r.URL.Path), zap.Any("panic", p), zap.ByteString("stack", debug.Stack()))
	http.Error(w, "Tickover made a mistake; the cause is in its log.", http.StatusInternalServerError)
}
