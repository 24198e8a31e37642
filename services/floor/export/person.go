package export

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/contacts"
)

// wholePerson is all that the shop has of somebody.
type wholePerson struct {
	Person contacts.Person `json:"person"`
	Visits []visit         `json:"visits"`
}

type visit struct {
	Ticket    queue.UnitID   `json:"ticket"`
	Machine   queue.Machine  `json:"machine"`
	Arrived   time.Time      `json:"arrived"`
	Promised  time.Time      `json:"promised"`
	Left      time.Time      `json:"left,omitzero"`
	Note      string         `json:"note,omitempty"`
	Campaigns []campaignCall `json:"campaigns,omitempty"`
}

// campaignCall is what was written down about a call to the owner.
type campaignCall struct {
	Campaign queue.CampaignID   `json:"campaign"`
	State    queue.ContactState `json:"state"`
	At       time.Time          `json:"at"`
	Slot     time.Time          `json:"slot,omitzero"`
	Note     string             `json:"note,omitempty"`
}

// PersonHeaders names the file.
func PersonHeaders(h http.Header) {
	h.Set("Content-Type", "application/json")
	h.Set("Content-Disposition", `attachment; filename="person.json"`)
	h.Set("Cache-Control", "no-store")
}

// VisitsOf are the visits that name a person, by ticket.
func VisitsOf(id queue.ContactID, st *queue.State) []*queue.Unit {
	var out []*queue.Unit
	for _, u := range st.Units {
		if u.Contact == id && id != "" {
			out = append(out, u)
		}
	}
	slices.SortFunc(out, func(a, b *queue.Unit) int { return strings.Compare(string(a.ID), string(b.ID)) })
	return out
}

// WholePerson is all that the shop has of somebody, as JSON: what is kept
// beside the log, the visits that name him, and what was written down when he
// was called.
func WholePerson(p contacts.Person, st *queue.State) ([]byte, error) {
	out := wholePerson{Person: p, Visits: []visit{}}
	called := map[queue.MachineKey]bool{}
	for _, u := range VisitsOf(p.ID, st) {
		v := visit{Ticket: u.ID, Machine: u.Machine, Arrived: u.Arrived, Promised: u.Promise, Left: u.Left, Note: u.Note}
		if key := queue.KeyOf(u); !called[key] {
			called[key] = true
			for _, c := range st.Campaigns {
				if x, ok := c.Contacts[key]; ok {
					v.Campaigns = append(v.Campaigns, campaignCall{c.ID, x.State, x.At, x.Slot, x.Note})
				}
			}
			slices.SortFunc(v.Campaigns, func(a, b campaignCall) int { return strings.Compare(string(a.Campaign), string(b.Campaign)) })
		}
		out.Visits = append(out.Visits, v)
	}
	return json.MarshalIndent(out, "", "  ")
}
