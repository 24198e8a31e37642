package log

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/minio/highwayhash"
	"github.com/nats-io/nats.go/jetstream"
)

// This file reads the server's block files without the server, because the
// server changes damaged ones while it opens them. It knows the layout that
// nats-server 2.15 writes (filestore.go, writeMsgRecordLocked):
//
//	length(4, high bit: has headers) sequence(8) time(8) subject length(2)
//	subject [header length(4) header] body checksum(8)
//
// little-endian; the checksum is HighwayHash-64 over sequence, time, subject,
// header and body, keyed by the SHA-256 of "<stream>-<block>". A test reads
// what the linked server wrote, so that a change of the layout is noticed when
// the server's version is raised.

const (
	recordHeadBytes = 22
	recordSumBytes  = 8
	recordBytesMax  = 32 << 20
	headerBit       = 1 << 31
	erasedBits      = 3 << 62 // erased, or a mark of a removed message
	blockBytesMax   = 64 << 20
)

// blockFile is one file of the store.
type blockFile struct {
	index uint32
	name  string // relative to the log's directory
	path  string
}

// blockFiles lists the stream's blocks in order; none if there is no stream.
func blockFiles(dir string) ([]blockFile, error) {
	msgs := filepath.Join(streamDir(dir), "msgs")
	list, err := os.ReadDir(msgs)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the store: %w", err)
	}
	var files []blockFile
	for _, e := range list {
		var index uint32
		if n, err := fmt.Sscanf(e.Name(), "%d.blk", &index); err != nil || n != 1 || e.Name() != fmt.Sprintf("%d.blk", index) {
			continue
		}
		path := filepath.Join(msgs, e.Name())
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return nil, err
		}
		files = append(files, blockFile{index, name, path})
	}
	slices.SortFunc(files, func(a, b blockFile) int { return int(a.index) - int(b.index) })
	return files, nil
}

// read returns the block's bytes.
func (f *blockFile) read() ([]byte, error) {
	info, err := os.Stat(f.path)
	if err != nil {
		return nil, fmt.Errorf("read the store: %w", err)
	}
	if info.Size() > blockBytesMax {
		return nil, &DamageError{Kind: Foreign, File: f.name, What: fmt.Sprintf("the file has %d MiB, a block has at most %d", info.Size()>>20, blockBytesMax>>20), Do: doRestore}
	}
	b, err := os.ReadFile(f.path)
	if err != nil {
		return nil, fmt.Errorf("read the store: %w", err)
	}
	return b, nil
}

// sum is the checksum for records of the block with this index.
func blockSum(index uint32) hash.Hash64 {
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", StreamName, index))
	h, err := highwayhash.New64(key[:])
	if err != nil {
		panic(err) // the key has the one allowed length
	}
	return h
}

// record is one message as it lies in a block. The slices point into the
// block's bytes.
type record struct {
	offset  int64
	size    int
	seq     uint64
	stored  int64 // nanoseconds of Unix time
	subject []byte
	header  []byte
	body    []byte
}

// faultKind says why a record can't be read.
type faultKind int

const (
	faultNone     faultKind = iota
	faultShort              // the bytes end in the middle of it, or its length is nonsense
	faultChecksum           // its bytes are not what was written
	faultErased             // erased, or removed
)

// cut takes the record at offset apart and checks its sum.
func cut(buf []byte, offset int64, sum hash.Hash64) (record, faultKind) {
	b := buf[offset:]
	r := record{offset: offset}
	if len(b) < recordHeadBytes {
		r.size = len(b)
		return r, faultShort
	}
	le := binary.LittleEndian
	length := le.Uint32(b)
	headers := length&headerBit != 0
	r.size = int(length &^ headerBit)
	r.seq, r.stored = le.Uint64(b[4:]), int64(le.Uint64(b[12:]))
	subject := int(le.Uint16(b[20:]))
	if r.size > len(b) || r.size > recordBytesMax || r.size < recordHeadBytes+subject+recordSumBytes {
		return r, faultShort
	}
	rest := b[recordHeadBytes : r.size-recordSumBytes]
	r.subject, rest = rest[:subject], rest[subject:]
	body := rest
	fault := faultNone
	if headers {
		if len(rest) < 4 {
			return r, faultShort
		}
		n := int(le.Uint32(rest))
		body = rest[4:]
		// The header's length is not covered by the sum; its end is known.
		if n > len(body) || !bytes.HasSuffix(body[:n], []byte("\r\n\r\n")) {
			fault, n = faultChecksum, 0
		}
		r.header, r.body = body[:n], body[n:]
	} else {
		r.body = body
	}
	sum.Reset()
	sum.Write(b[4:20])
	sum.Write(r.subject)
	sum.Write(body)
	var got [recordSumBytes]byte
	if !bytes.Equal(sum.Sum(got[:0]), b[r.size-recordSumBytes:r.size]) {
		fault = faultChecksum
	}
	if fault == faultNone && r.seq&erasedBits != 0 {
		fault = faultErased
	}
	return r, fault
}

// headerValue reads a header's line without making a map of it.
func headerValue(header []byte, key string) []byte {
	for rest := header; len(rest) > 0; {
		line, after, _ := bytes.Cut(rest, []byte("\r\n"))
		if len(line) > len(key) && line[len(key)] == ':' && string(line[:len(key)]) == key {
			return bytes.TrimSpace(line[len(key)+1:])
		}
		rest = after
	}
	return nil
}

// nextRecord finds where a whole record begins behind a damaged one, or
// returns -1. A record that follows has a sequence near the last good one.
func nextRecord(buf []byte, from int64, near uint64, sum hash.Hash64) int64 {
	for i := from; i+recordHeadBytes+recordSumBytes <= int64(len(buf)); i++ {
		if seq := binary.LittleEndian.Uint64(buf[i+4:]); seq == 0 || seq > near+1<<20 {
			continue
		}
		if _, fault := cut(buf, i, sum); fault == faultNone {
			return i
		}
	}
	return -1
}

// checkMeta compares the stream's description with its checksum: with a
// damaged one the server does not see the stream at all.
func checkMeta(dir string) error {
	sd := streamDir(dir)
	name := filepath.Join(strings.TrimPrefix(sd, dir+string(filepath.Separator)), "meta.inf")
	meta, err := os.ReadFile(filepath.Join(sd, "meta.inf"))
	if err != nil {
		return metaDamage(name, Missing, fmt.Sprintf("the stream's description can't be read (%v)", err))
	}
	want, err := os.ReadFile(filepath.Join(sd, "meta.sum"))
	if err != nil {
		return metaDamage(name, Missing, fmt.Sprintf("the checksum of the stream's description can't be read (%v)", err))
	}
	key := sha256.Sum256([]byte(StreamName))
	h, err := highwayhash.New64(key[:])
	if err != nil {
		return err
	}
	h.Write(meta)
	if hex.EncodeToString(h.Sum(nil)) != strings.TrimSpace(string(want)) {
		return metaDamage(name, Changed, "the stream's description does not match its checksum")
	}
	var cfg struct {
		jetstream.StreamConfig
		Cipher string `json:"cipher"`
	}
	if err := json.Unmarshal(meta, &cfg); err != nil {
		return metaDamage(name, Foreign, fmt.Sprintf("the stream's description can't be read (%v)", err))
	}
	if cfg.Compression != jetstream.NoCompression {
		return metaDamage(name, Foreign, "the stream is compressed")
	}
	return checkConfig(cfg.StreamConfig)
}

func metaDamage(file string, kind DamageKind, what string) error {
	return &DamageError{Kind: kind, File: file, What: what, Do: doRestore}
}

// raw gives the record the form in which the network delivers it.
func (r *record) raw() (rawEntry, error) {
	h := r.header
	return rawOf(string(r.subject), func(key string) string { return string(headerValue(h, key)) }, r.body, r.seq, time.Unix(0, r.stored).UTC())
}
