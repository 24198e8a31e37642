// Package agenda is what is going to happen in a simulation, by time and then
// by when it was put there, so that one seed is one history.
//
//	var a agenda.Agenda[func()]
//	a.Add(at, do)
//	for x, ok := a.Before(until); ok; x, ok = a.Before(until) { x.What() }
package agenda

import (
	"container/heap"
	"time"
)

// Item is one thing that is going to happen.
type Item[T any] struct {
	At    time.Time
	What  T
	order uint64
}

// Agenda is empty as it is. It is not safe for concurrent use.
type Agenda[T any] struct {
	due  items[T]
	made uint64
}

// Add puts something there.
func (a *Agenda[T]) Add(at time.Time, what T) {
	a.made++
	heap.Push(&a.due, Item[T]{at, what, a.made})
}

// PutOff puts an item back to another time; of those of that time it keeps the
// place that it had by when it was added.
func (a *Agenda[T]) PutOff(x Item[T], at time.Time) {
	x.At = at
	heap.Push(&a.due, x)
}

// Made is how many items were ever added.
func (a *Agenda[T]) Made() uint64 { return a.made }

// Next is when the first item is due; false: there is none.
func (a *Agenda[T]) Next() (time.Time, bool) {
	if len(a.due) == 0 {
		return time.Time{}, false
	}
	return a.due[0].At, true
}

// Before takes the first item, if it is due before t.
func (a *Agenda[T]) Before(t time.Time) (Item[T], bool) {
	if at, ok := a.Next(); !ok || !at.Before(t) {
		return Item[T]{}, false
	}
	return heap.Pop(&a.due).(Item[T]), true
}

type items[T any] []Item[T]

func (s items[T]) Len() int { return len(s) }
func (s items[T]) Less(i, j int) bool {
	if !s[i].At.Equal(s[j].At) {
		return s[i].At.Before(s[j].At)
	}
	return s[i].order < s[j].order
}
func (s items[T]) Swap(i, j int) { s[i], s[j] = s[j], s[i] }
func (s *items[T]) Push(x any)   { *s = append(*s, x.(Item[T])) }
func (s *items[T]) Pop() any {
	old := *s
	last := old[len(old)-1]
	old[len(old)-1] = Item[T]{}
	*s = old[:len(old)-1]
	return last
}
