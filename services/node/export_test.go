package node

import "context"

// Rests of those who learn, in the time that it took.
const (
	RestQuiet = restQuiet
	RestBusy  = restBusy
)

// Learning is what has its callers learn one after the other.
func Learning(commands func() uint64) func(context.Context, func() error) error {
	return newTurn(commands).take
}
