package lan

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync"
	"time"
)

// lookEvery is how often the files are looked at.
const lookEvery = 10 * time.Second

// Files is a certificate in files, read again when they change.
type Files struct {
	cert, key string
	now       func() time.Time

	mu     sync.Mutex
	pair   *tls.Certificate
	stamp  string
	looked time.Time
	// Trouble, if set, hears why changed files could not be read; the old
	// certificate stays.
	Trouble func(error)
}

// OpenFiles reads a certificate with its chain, and its key, in PEM.
func OpenFiles(cert, key string, now func() time.Time) (*Files, error) {
	f := &Files{cert: cert, key: key, now: now}
	if err := f.read(); err != nil {
		return nil, err
	}
	return f, nil
}

func (f *Files) read() error {
	stamp, err := f.stampOf()
	if err != nil {
		return err
	}
	pair, err := tls.LoadX509KeyPair(f.cert, f.key)
	if err != nil {
		return fmt.Errorf("certificate %s with key %s: %w", f.cert, f.key, err)
	}
	if f.now().After(pair.Leaf.NotAfter) {
		return fmt.Errorf("certificate %s ended on %s; renew it", f.cert, pair.Leaf.NotAfter.Format(time.DateOnly))
	}
	f.pair, f.stamp = &pair, stamp
	return nil
}

func (f *Files) stampOf() (string, error) {
	var out string
	for _, name := range []string{f.cert, f.key} {
		info, err := os.Stat(name)
		if err != nil {
			return "", fmt.Errorf("certificate: %w", err)
		}
		out += fmt.Sprint(info.ModTime().UnixNano(), info.Size(), " ")
	}
	return out, nil
}

// GetCertificate is the certificate as the files have it now.
func (f *Files) GetCertificate(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if now := f.now(); now.Sub(f.looked) >= lookEvery {
		f.looked = now
		if stamp, err := f.stampOf(); err != nil || stamp != f.stamp {
			if err == nil {
				err = f.read()
			}
			if err != nil && f.Trouble != nil {
				f.Trouble(err) // half written, or gone for a moment: tried again
			}
		}
	}
	return f.pair, nil
}
