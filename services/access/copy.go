package access

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// copied is one account in a copy.
type copied struct {
	Site    queue.SiteID `json:"site"`
	Account Account      `json:"account"`
}

// Dump writes the accounts of all sites, one JSON object a line, and returns
// how many. They carry the hashes of passwords, so whoever has the copy can try
// to guess them: it is a secret. Sessions, paired devices, tokens and the book
// of sign-ins are not in it.
func Dump(ctx context.Context, nc *nats.Conn, w io.Writer) (n int, err error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, fmt.Errorf("access: %w", err)
	}
	s, err := js.Stream(ctx, Stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return 0, nil // nobody ever had an account
	}
	if err != nil {
		return 0, fmt.Errorf("access: %w", err)
	}
	out := json.NewEncoder(w)
	for seq := uint64(1); ; seq++ {
		m, err := s.GetMsg(ctx, seq, jetstream.WithGetMsgSubject("access.*."+accountKey("*")))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return n, nil
		}
		if err != nil {
			return n, fmt.Errorf("access: %w", err)
		}
		seq = m.Sequence
		if len(m.Data) == 0 {
			continue // removed
		}
		site, _, _ := strings.Cut(strings.TrimPrefix(m.Subject, "access."), ".")
		c := copied{Site: queue.SiteID(site)}
		if err := json.Unmarshal(m.Data, &c.Account); err != nil {
			return n, fmt.Errorf("access: %s: %w", m.Subject, err)
		}
		if err := out.Encode(&c); err != nil {
			return n, err
		}
		n++
	}
}

// copyLineMax bounds a line of a copy.
const copyLineMax = 2 * ValueMax

// Load puts the accounts of a copy into a store that has none of them, and
// returns how many. One that is there already stays as it is, and is an error.
func Load(ctx context.Context, nc *nats.Conn, r io.Reader, replicas int) (n int, err error) {
	stores := map[queue.SiteID]*JetStream{}
	in := bufio.NewScanner(r)
	in.Buffer(nil, copyLineMax)
	for line := 1; in.Scan(); line++ {
		var c copied
		if err := json.Unmarshal(in.Bytes(), &c); err != nil || c.Site == "" || !idForm.MatchString(c.Account.ID) {
			return n, fmt.Errorf("line %d is no account of a backup: %v", line, err)
		}
		s := stores[c.Site]
		if s == nil {
			if s, err = OpenJetStream(ctx, nc, c.Site, replicas, nil); err != nil {
				return n, err
			}
			stores[c.Site] = s
		}
		b, err := json.Marshal(&c.Account)
		if err != nil {
			return n, fmt.Errorf("access: line %d: %w", line, err)
		}
		m := nats.NewMsg(s.subject(accountKey(c.Account.ID)))
		m.Data = b
		if err := s.publish(ctx, m, jetstream.WithExpectLastSequencePerSubject(0)); err != nil {
			return n, fmt.Errorf("line %d, account %s: %w", line, c.Account.ID, err)
		}
		n++
	}
	return n, in.Err()
}
