package solve

// profile is the free capacity of one resource along time as sorted
// breakpoints: free[i] over [at[i], at[i+1]), the last to the end of time.
// at[0] lies before any time that occurs.
type profile struct {
	at   []Time
	free []int64
	hint int // a segment looked at lately
}

func newProfile(capacity int64) profile {
	return profile{at: []Time{-2 * forever}, free: []int64{capacity}}
}

// profile has capacity free while h is open, and nothing otherwise.
func (h *hours) profile(capacity int64) profile {
	f := profile{at: make([]Time, 1, 1+2*len(h.iv)), free: make([]int64, 1, 1+2*len(h.iv))}
	f.at[0] = -2 * forever
	for _, iv := range h.iv {
		if n := len(f.at) - 1; f.at[n] == iv.Start { // the one before touches it
			f.at, f.free = f.at[:n], f.free[:n]
		}
		f.at = append(f.at, iv.Start, iv.End)
		f.free = append(f.free, capacity, 0)
	}
	return f
}

// room is for how many breakpoints a first copy has room.
func (f *profile) room() int { return len(f.at) + max(len(f.at), profileRoom) }

// set makes f a copy of g without a new allocation where it can.
func (f *profile) set(g *profile) {
	f.at = append(f.at[:0], g.at...)
	f.free = append(f.free[:0], g.free...)
}

// profileRoom are the breakpoints that a copy has room for beyond those it has.
const profileRoom = 32

// near bounds how far seg walks from the hint before it bisects.
const near = 6

// seg is the index of the segment that holds t.
func (f *profile) seg(t Time) int {
	at := f.at
	lo, hi := 0, len(at)
	if at[hi-1] <= t {
		return hi - 1
	}
	if h := f.hint; h < hi && at[h] <= t {
		lo = h
		for end := min(h+near, hi-1); lo < end; lo++ {
			if at[lo+1] > t {
				f.hint = lo
				return lo
			}
		}
	} else if h < hi {
		hi = h
	}
	for hi-lo > 1 {
		mid := int(uint(lo+hi) >> 1)
		if at[mid] <= t {
			lo = mid
		} else {
			hi = mid
		}
	}
	f.hint = lo
	return lo
}

// block says whether amount is free over [s, e). When it is not, until is the
// earliest start, for an activity that ends no sooner, that gets past the
// first shortage.
func (f *profile) block(s, e Time, amount int64) (until Time, blocked bool) {
	if s >= e {
		return s, false
	}
	at, free := f.at, f.free
	n := len(at)
	for i := f.seg(s); i < n && at[i] < e; i++ {
		if free[i] >= amount {
			continue
		}
		for i++; i < n && free[i] < amount; i++ {
		}
		if i == n {
			return forever, true
		}
		return at[i], true
	}
	return s, false
}

// gap is the first s ≥ t at which amount is free for d > 0; forever when there
// is none.
func (f *profile) gap(t, d Time, amount int64) Time {
	at, free := f.at, f.free
	n := len(at)
	for i := f.seg(t); i < n; i++ {
		if free[i] < amount {
			continue
		}
		s := max(t, at[i])
		for i++; i < n && free[i] >= amount && at[i] < s+d; i++ {
		}
		if i == n || at[i] >= s+d {
			return s
		}
	}
	return forever
}

// take lowers the free capacity over [s, e) by amount; a negative amount gives
// it back.
func (f *profile) take(s, e Time, amount int64) {
	if s >= e {
		return
	}
	i := f.cut(s)
	j := f.cutFrom(i, e)
	free := f.free[i:j]
	for k := range free {
		free[k] -= amount
	}
}

// cut makes t a breakpoint and returns its index.
func (f *profile) cut(t Time) int {
	i := f.seg(t)
	if f.at[i] == t {
		return i
	}
	return f.insert(i+1, t)
}

func (f *profile) cutFrom(i int, t Time) int {
	for i < len(f.at) && f.at[i] < t {
		i++
	}
	if i < len(f.at) && f.at[i] == t {
		return i
	}
	return f.insert(i, t)
}

func (f *profile) insert(i int, t Time) int {
	f.at = append(f.at, 0)
	f.free = append(f.free, 0)
	copy(f.at[i+1:], f.at[i:])
	copy(f.free[i+1:], f.free[i:])
	f.at[i] = t
	f.free[i] = f.free[i-1]
	return i
}
