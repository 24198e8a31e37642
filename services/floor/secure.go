package floor

import (
	"fmt"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"

	"go.uber.org/zap"

	"tickover/services/floor/locale"
	"tickover/services/floor/pages"
)

// policy lets a page load its own files and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"worker-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// secure puts the checks and headers around every answer.
func secure(next http.Handler, hosts []string, logger *zap.Logger) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		pages.Plain(w, r, http.StatusForbidden, locale.Mark("This was sent by a page of another site, so nothing was done."), locale.Mark("Open Tickover's own page and do it there."))
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
		if !allowed(r, hosts) {
			http.Error(w, fmt.Sprintf("Tickover is not known as %q. Open it as http://127.0.0.1, or add the name to the allowed hosts.", r.Host), http.StatusMisdirectedRequest)
			return
		}
		defer recoverPanic(w, r, logger)
		guarded.ServeHTTP(w, r)
	})
}

// allowed keeps out a foreign name that was made to point here.
func allowed(r *http.Request, hosts []string) bool {
	host := strings.ToLower(hostOf(r.Host))
	return loopback(host) || slices.Contains(hosts, host) || isLocal(r, host)
}

func hostOf(hostport string) string {
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		hostport = h
	}
	return strings.Trim(hostport, "[]")
}

// isLocal reports that the host is the address at which the request arrived: a
// foreign name can be made to point here, a number can't be made another.
func isLocal(r *http.Request, host string) bool {
	at, ok := r.Context().Value(http.LocalAddrContextKey).(*net.TCPAddr)
	ip := net.ParseIP(host)
	return ok && ip != nil && at.IP.Equal(ip)
}

// strict tells browsers to come by TLS only (RFC 6797). It is not said with a
// certificate of the shop's own making: who lost it would be locked out.
func strict(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.TLS != nil {
			w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// Redirect leads plain HTTP to the TLS address, and hands out what a phone
// needs before it can go there.
func (f *Floor) Redirect(secure net.Addr) http.Handler {
	port := "443"
	if _, p, err := net.SplitHostPort(secure.String()); err == nil {
		port = p
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if (r.URL.Path == "/trust" || r.URL.Path == "/authority.crt" || strings.HasPrefix(r.URL.Path, "/static/")) && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
			r.Header.Del("Cookie") // nobody is anybody over plain HTTP
			r.Header.Del("Authorization")
			f.ServeHTTP(w, r)
			return
		}
		host := hostOf(r.Host)
		if strings.ContainsAny(host, "/\\@?#% ") || host == "" {
			http.Error(w, "bad host", http.StatusBadRequest)
			return
		}
		if port != "443" {
			host = net.JoinHostPort(host, port)
		} else if strings.Contains(host, ":") {
			host = "[" + host + "]"
		}
		http.Redirect(w, r, "https://"+host+r.URL.RequestURI(), http.StatusPermanentRedirect)
	})
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
	pages.Plain(w, r, http.StatusInternalServerError, locale.Mark("Tickover made a mistake"), locale.Mark("Its log has the cause. Tell whoever looks after it."))
}
