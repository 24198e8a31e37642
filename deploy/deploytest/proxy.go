package deploytest

import (
	"io"
	"net"
	"sync"
	"testing"
)

// Proxy is a stretch of network between two processes. While it is cut nothing
// comes through and nobody is told: connections stand, what was sent waits, as
// TCP waits when packets are lost.
type Proxy struct {
	Addr, target string

	mu     sync.Mutex
	whole  sync.Cond // not cut, or closed
	cut    bool
	closed bool
	conns  map[net.Conn]bool
}

// StartProxy forwards to target, host:port, until the test ends.
func StartProxy(t testing.TB, target string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{Addr: l.Addr().String(), target: target, conns: map[net.Conn]bool{}}
	p.whole.L = &p.mu
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			serving.Go(func() { p.serve(c) })
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		p.mu.Lock()
		p.closed = true
		for c := range p.conns {
			_ = c.Close()
		}
		p.whole.Broadcast()
		p.mu.Unlock()
		serving.Wait()
	})
	return p
}

// Cut stops everything that goes through.
func (p *Proxy) Cut() { p.set(true) }

// Heal lets it go on where it stopped.
func (p *Proxy) Heal() { p.set(false) }

func (p *Proxy) set(cut bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = cut
	p.whole.Broadcast()
}

// pass waits until something may come through; false: no more.
func (p *Proxy) pass() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for p.cut && !p.closed {
		p.whole.Wait()
	}
	return !p.closed
}

// keep remembers a connection that ends with the proxy.
func (p *Proxy) keep(c net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		_ = c.Close()
		return false
	}
	p.conns[c] = true
	return true
}

func (p *Proxy) drop(c net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.conns, c)
	_ = c.Close()
}

func (p *Proxy) serve(near net.Conn) {
	if !p.keep(near) {
		return
	}
	defer p.drop(near)
	if !p.pass() {
		return
	}
	far, err := net.Dial("tcp", p.target)
	if err != nil || !p.keep(far) {
		return
	}
	defer p.drop(far)
	var both sync.WaitGroup
	for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
		both.Go(func() {
			p.copy(way[1], way[0])
			// Who is told of the end is not before what was sent.
			if c, ok := way[1].(*net.TCPConn); ok {
				_ = c.CloseWrite()
			}
		})
	}
	both.Wait()
}

func (p *Proxy) copy(to io.Writer, from io.Reader) {
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if !p.pass() {
			return
		}
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}
