package queue

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
)

// snapshotFormat is the version of a stored state; one of another version is
// not read, and the log is folded instead. 2: units have what was written to
// their controllers, machines' keys are folded.
const snapshotFormat = 3

// snapshot is a State's stored form.
type snapshot struct {
	Format    int                      `json:"format"`
	Site      SiteID                   `json:"site"`
	Shop      *Shop                    `json:"shop,omitempty"`
	ShopFile  Hash                     `json:"shop_file,omitempty"`
	Units     []*Unit                  `json:"units"`
	Holds     map[ResourceID][]Hold    `json:"holds"`
	Closures  map[ResourceID][]Closure `json:"closures"`
	Absences  map[PersonID][]Closure   `json:"absences"`
	Listed    []Calibration            `json:"listed,omitempty"`
	Withdrawn []CalibrationWithdrawn   `json:"withdrawn,omitempty"`
	Campaigns []*Campaign              `json:"campaigns,omitempty"`
	Seq       uint64                   `json:"seq"`
	LastEntry Hash                     `json:"last_entry"`
	Events    uint64                   `json:"events"`
	Unknown   map[EventType]uint64     `json:"unknown"`
	ShopLink  link                     `json:"shop_link"`
	Seen      []CommandID              `json:"seen"` // oldest first
}

// MarshalSnapshot returns the state as bytes, from which [UnmarshalSnapshot]
// makes an equal one.
func (s *State) MarshalSnapshot() ([]byte, error) {
	snap := snapshot{
		Format: snapshotFormat, Site: s.Site, Shop: s.Shop, ShopFile: s.ShopFile,
		Holds: s.Holds, Closures: s.Closures, Absences: s.Absences, Seq: s.Seq,
		LastEntry: s.LastEntry, Events: s.Events, Unknown: s.Unknown, ShopLink: s.shop,
	}
	for _, id := range sortedKeys(s.Units) {
		snap.Units = append(snap.Units, s.Units[id])
	}
	snap.Listed = s.Listed
	for ref, reason := range s.Withdrawn {
		snap.Withdrawn = append(snap.Withdrawn, CalibrationWithdrawn{ref, reason})
	}
	slices.SortFunc(snap.Withdrawn, func(a, b CalibrationWithdrawn) int {
		return cmp.Or(cmp.Compare(a.Ref.ID, b.Ref.ID), cmp.Compare(a.Ref.Revision, b.Ref.Revision))
	})
	for _, id := range sortedKeys(s.Campaigns) {
		snap.Campaigns = append(snap.Campaigns, s.Campaigns[id])
	}
	snap.Seen = append(append(snap.Seen, s.seenRing[s.seenNext:]...), s.seenRing[:s.seenNext]...)
	return json.Marshal(snap)
}

// UnmarshalSnapshot reads a stored state.
func UnmarshalSnapshot(b []byte) (*State, error) {
	var snap snapshot
	if err := json.Unmarshal(b, &snap); err != nil {
		return nil, fmt.Errorf("snapshot: %w", err)
	}
	if snap.Format != snapshotFormat {
		return nil, fmt.Errorf("snapshot of format %d, this program reads %d", snap.Format, snapshotFormat)
	}
	if slices.Contains(snap.Units, nil) || slices.Contains(snap.Campaigns, nil) {
		return nil, errors.New("snapshot: a unit or campaign in it is none")
	}
	s := NewState(snap.Site)
	s.Shop, s.ShopFile = snap.Shop, snap.ShopFile
	if s.Shop != nil {
		s.Shop.location = s.Shop.Location()
	}
	s.Listed = snap.Listed
	for _, w := range snap.Withdrawn {
		if s.Withdrawn == nil {
			s.Withdrawn = map[CalibrationRef]string{}
		}
		s.Withdrawn[w.Ref] = w.Reason
	}
	for _, c := range snap.Campaigns {
		s.Campaigns[c.ID] = c
	}
	if s.Shop != nil {
		s.catalogued()
	}
	for _, u := range snap.Units {
		s.Units[u.ID] = u
		s.machines.add(u)
	}
	s.Seq, s.LastEntry, s.Events, s.shop = snap.Seq, snap.LastEntry, snap.Events, snap.ShopLink
	s.Holds, s.Closures, s.Absences, s.Unknown = orEmpty(snap.Holds), orEmpty(snap.Closures), orEmpty(snap.Absences), orEmpty(snap.Unknown)
	for _, id := range snap.Seen {
		s.remember(id)
	}
	return s, nil
}

func orEmpty[K comparable, V any](m map[K]V) map[K]V {
	if m == nil {
		return map[K]V{}
	}
	return m
}
