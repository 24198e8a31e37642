package node

import (
	"context"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"tickover/queue/log"
)

// copiesEvery is how long a node that keeps the log may take to come nearer.
const copiesEvery = 15 * time.Second

// copies is how well the log is kept, for whoever watches the process.
type copies struct {
	mu     sync.Mutex
	last   log.Copies
	at     time.Time
	notice string
}

// Notice is what is wrong with the servers that keep the log although this
// process works: which one, and what to do. Empty: nothing.
func (n *Node) Notice() string {
	n.copies.mu.Lock()
	defer n.copies.mu.Unlock()
	return n.copies.notice
}

// lookAtCopies asks now and then whether all servers have all of the log.
func (n *Node) lookAtCopies(ctx context.Context, now time.Time) {
	l, ok := n.o.Log.(interface {
		Copies(context.Context) (log.Copies, error)
	})
	if !ok || now.Sub(n.copies.at) < copiesEvery {
		return
	}
	c, err := l.Copies(ctx)
	if err != nil {
		return // what asks the log otherwise says so
	}
	var list []string
	for _, b := range c.Behind {
		if b.Away {
			list = append(list, b.String())
		}
	}
	for _, node := range c.Stuck(n.copies.last) {
		list = append(list, node+" does not catch up with the log: "+log.StuckDo)
	}
	notice := strings.Join(list, "; ")
	n.copies.mu.Lock()
	was := n.copies.notice
	n.copies.last, n.copies.at, n.copies.notice = c, now, notice
	n.copies.mu.Unlock()
	switch {
	case notice == was:
	case notice == "":
		n.log.Info("all servers have all of the log again")
	default:
		n.log.Error("the log is not kept on all servers", zap.String("what", notice))
	}
}
