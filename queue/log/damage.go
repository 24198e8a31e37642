package log

import (
	"fmt"
	"strings"

	"tickover/queue"
)

// DamageKind says what is wrong with a log.
type DamageKind int

const (
	Missing   DamageKind = iota + 1 // entries between others are not there
	Changed                         // an entry's bytes are not what was stored
	Reordered                       // entries stand where they don't belong
	LostTail                        // acknowledged entries at the end are not there
	Foreign                         // something that no program of ours wrote
)

func (k DamageKind) String() string {
	switch k {
	case Missing:
		return "missing"
	case Changed:
		return "changed"
	case Reordered:
		return "reordered"
	case LostTail:
		return "lost tail"
	case Foreign:
		return "foreign"
	}
	return fmt.Sprintf("DamageKind(%d)", int(k))
}

// DamageError: the log is not what was written. Whoever returns it has served
// nothing beyond the damage and changed no file.
type DamageError struct {
	Kind DamageKind
	Site queue.SiteID // empty if not known
	Seq  uint64       // first sequence that is concerned; 0 if not known
	Last uint64       // last sequence that is concerned, if more than one
	// Subject, Event and Command are what the damaged entry names, as far as
	// it can be read.
	Subject queue.Subject
	Event   string
	Command queue.CommandID
	File    string // relative to the log's directory; empty over the network
	Offset  int64  // in File
	What    string // what was found
	Do      string // what to do
}

const doRestore = "The files were left as they are. Restore the last good backup: tickover restore FILE --set-aside (it keeps the damaged log in a folder)"

func (e *DamageError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "log damaged (%s)", e.Kind)
	switch {
	case e.Seq > 0 && e.Last > e.Seq:
		fmt.Fprintf(&b, ", entries %d to %d", e.Seq, e.Last)
	case e.Seq > 0:
		fmt.Fprintf(&b, ", entry %d", e.Seq)
	}
	if e.Site != "" {
		fmt.Fprintf(&b, ", site %s", e.Site)
	}
	if unit, ok := e.Subject.Unit(); ok {
		fmt.Fprintf(&b, ", unit %s", unit)
	} else if e.Subject != "" {
		fmt.Fprintf(&b, ", %s", e.Subject)
	}
	if e.Event != "" {
		fmt.Fprintf(&b, ", event %s", e.Event)
	}
	if e.File != "" {
		fmt.Fprintf(&b, ", %s at byte %d", e.File, e.Offset)
	}
	fmt.Fprintf(&b, ": %s.", e.What)
	if e.Do != "" {
		fmt.Fprintf(&b, " %s.", e.Do)
	}
	return b.String()
}
