package lazy

// names are the literals that learnt clauses speak of, with how active they
// are lately (Moskewicz et al., DAC 2001: the variable state independent
// decaying sum). A literal and its negation share a name.
type names struct {
	slots    []int32 // hash table of names + 1
	lit      []lit   // by name, of a variable's own direction
	activity []uint64
	place    []int32 // by name: index in heap, -1 for none
	heap     []int32
	popped   []int32
	step     uint64
}

// stepMax bounds activities: beyond it all are scaled down.
const stepMax = 1 << 50

// reset forgets all names; only at the root.
func (n *names) reset() {
	clear(n.slots)
	n.lit, n.activity, n.place = n.lit[:0], n.activity[:0], n.place[:0]
	n.heap, n.popped = n.heap[:0], n.popped[:0]
	n.step = 1 << 10
}

// name finds or makes the name of a literal.
func (n *names) name(l lit) int32 {
	if l.u&1 == 1 {
		l = l.not()
	}
	if 2*len(n.lit) >= len(n.slots) {
		n.rehash()
	}
	mask := uint32(len(n.slots) - 1)
	for h := hash(l) & mask; ; h = (h + 1) & mask {
		k := n.slots[h] - 1
		if k < 0 {
			k = int32(len(n.lit))
			n.slots[h] = k + 1
			n.lit = append(n.lit, l)
			n.activity = append(n.activity, 0)
			n.place = append(n.place, -1)
			n.push(k)
			return k
		}
		if n.lit[k] == l {
			return k
		}
	}
}

func hash(l lit) uint32 {
	x := uint32(l.u)*0x9e3779b1 ^ uint32(l.v)*0x85ebca77
	return x ^ x>>15
}

func (n *names) rehash() {
	n.slots = make([]int32, max(256, 2*len(n.slots)))
	mask := uint32(len(n.slots) - 1)
	for k, l := range n.lit {
		h := hash(l) & mask
		for n.slots[h] != 0 {
			h = (h + 1) & mask
		}
		n.slots[h] = int32(k) + 1
	}
}

// bump makes a literal more active.
func (n *names) bump(l lit) {
	k := n.name(l)
	n.activity[k] += n.step
	if n.place[k] >= 0 {
		n.up(n.place[k])
	}
}

// decay makes all that is not bumped less active, by making later bumps count
// more.
func (n *names) decay() {
	n.step += n.step / 16
	if n.step < stepMax {
		return
	}
	for k := range n.activity {
		n.activity[k] >>= 30
	}
	n.step >>= 30
	for i := len(n.heap)/2 - 1; i >= 0; i-- { // ties may have come about
		n.down(int32(i))
	}
}

// restore puts back what was taken since the mark.
func (n *names) restore(popped int32) {
	for _, k := range n.popped[popped:] {
		if n.place[k] < 0 {
			n.push(k)
		}
	}
	n.popped = n.popped[:popped]
}

// pick takes names until one is open, and returns it as the best schedule has
// it.
func (s *Solver) pick() (lit, bool) {
	for len(s.heap) > 0 {
		k := s.heap[0]
		s.pop()
		s.popped = append(s.popped, k)
		l := s.names.lit[k]
		if s.holds(l) || s.fails(l) {
			continue
		}
		if s.best == nil || s.best[l.u/2] < l.v {
			l = l.not()
		}
		return l, true
	}
	return lit{}, false
}

func (n *names) before(a, b int32) bool {
	if n.activity[a] != n.activity[b] {
		return n.activity[a] > n.activity[b]
	}
	return a < b
}

func (n *names) push(k int32) {
	n.place[k] = int32(len(n.heap))
	n.heap = append(n.heap, k)
	n.up(n.place[k])
}

func (n *names) pop() {
	n.place[n.heap[0]] = -1
	last := n.heap[len(n.heap)-1]
	n.heap = n.heap[:len(n.heap)-1]
	if len(n.heap) > 0 {
		n.heap[0] = last
		n.place[last] = 0
		n.down(0)
	}
}

func (n *names) up(i int32) {
	k := n.heap[i]
	for i > 0 {
		p := (i - 1) / 2
		if !n.before(k, n.heap[p]) {
			break
		}
		n.heap[i] = n.heap[p]
		n.place[n.heap[i]] = i
		i = p
	}
	n.heap[i], n.place[k] = k, i
}

func (n *names) down(i int32) {
	k, size := n.heap[i], int32(len(n.heap))
	for {
		c := 2*i + 1
		if c >= size {
			break
		}
		if c+1 < size && n.before(n.heap[c+1], n.heap[c]) {
			c++
		}
		if !n.before(n.heap[c], k) {
			break
		}
		n.heap[i] = n.heap[c]
		n.place[n.heap[i]] = i
		i = c
	}
	n.heap[i], n.place[k] = k, i
}
