package dispatch

import (
	"sort"

	"tickover/queue"
)

// StationOf is where a step with these resources is done: its bench, else its
// pad or loop, else the floor.
func StationOf(shop *queue.Shop, ids []queue.ResourceID) Station {
	best, rank := Floor, 0
	for _, id := range ids {
		r := shop.Resource(id)
		if r == nil {
			continue
		}
		if n := stationRank(r.Kind); n > rank {
			best, rank = Station(id), n
		}
	}
	return best
}

func stationRank(k queue.ResourceKind) int {
	switch k {
	case queue.Bench:
		return 3
	case queue.Pad:
		return 2
	case queue.Loop:
		return 1
	}
	return 0
}

// Stations lists a shop's stations, sorted, the floor included.
func Stations(shop *queue.Shop) []Station {
	out := []Station{Floor}
	for i := range shop.Resources {
		if r := &shop.Resources[i]; stationRank(r.Kind) > 0 {
			out = append(out, Station(r.ID))
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i] < out[j] })
	return out
}
