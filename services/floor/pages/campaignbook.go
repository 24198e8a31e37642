package pages

import (
	"context"
	"errors"
	"net/http"
	"time"

	"tickover/queue"
	"tickover/services/booking"
	"tickover/services/claims"
	"tickover/services/contacts"
	"tickover/services/floor/answer"
	"tickover/services/floor/export"
)

type bookPage struct {
	*Base
	Campaign *queue.Campaign
	Line     queue.CampaignLine
	Unit     *queue.Unit
	Person   *contacts.Person
	Found    *booking.Result
	Why      string // why there is nothing to propose
}

const bookTimeout = 20 * time.Second

// book proposes times at which a machine can come.
func (p *Pages) book(r *http.Request, b *Base) (string, any, error) {
	c, err := b.campaign(r)
	if err != nil {
		return "", nil, err
	}
	key := queue.MachineKey(r.URL.Query().Get("machine"))
	line := b.State.LineOf(c, key, b.Now)
	if line == nil {
		return "", nil, answer.Unknown(b.T("the campaign does not concern this machine"), b.T("Look at the campaign's list."))
	}
	b.Title, b.Section = b.T("Book a time"), "calibrations"
	page := bookPage{Base: b, Campaign: c, Line: *line, Unit: line.Latest()}
	if p.o.Contacts != nil {
		if who, ok := p.o.Contacts.Get(page.Unit.Contact); ok {
			page.Person = &who
		}
	}
	ctx, cancel := context.WithTimeout(r.Context(), bookTimeout)
	defer cancel()
	page.Found, err = booking.Propose(ctx, booking.Input{State: b.State, Almanac: p.o.Ledger.Almanac(), Plan: b.Plan, Now: b.Now, Machine: line.MachineRecord, Options: p.planned()})
	var refused *queue.Refusal
	switch {
	case errors.Is(err, booking.ErrIsHere):
		page.Why = b.T("The machine is in the shop: add the steps to its visit.")
	case errors.Is(err, booking.ErrNoRoute):
		page.Why = b.T("No route of the shop file has a flash, so there is nothing to plan.")
	case errors.As(err, &refused):
		why := answer.Refused(refused).In(b.Locale)
		page.Why = answer.Sentence(why.What) + " " + why.Do
	case errors.Is(err, context.DeadlineExceeded):
		page.Why = b.T("Planning took too long. Agree a time with the customer and enter it yourself.")
	case err != nil:
		return "", nil, err
	}
	return "campaign-book", page, nil
}

type claimPage struct {
	*Base
	Campaign *queue.Campaign
	Units    []claimUnit
	Total    time.Duration
	Doubtful time.Duration // not in the total
}

// claimUnit is one machine of a claim.
type claimUnit struct {
	claims.Line
	Lines []claims.Line
	Sum   time.Duration
}

func (p *Pages) claimOf(r *http.Request, b *Base) (*queue.Campaign, []claims.Line, error) {
	c, err := b.campaign(r)
	if err != nil {
		return nil, nil, err
	}
	lines, err := p.record.Claim(r.Context(), b.moment(), c)
	return c, lines, err
}

// claim is the sheet on paper.
func (p *Pages) claim(r *http.Request, b *Base) (string, any, error) {
	c, lines, err := p.claimOf(r, b)
	if err != nil {
		return "", nil, err
	}
	b.Title, b.Section = b.T("Claim sheet"), "calibrations"
	page := claimPage{Base: b, Campaign: c}
	for _, l := range lines {
		n := len(page.Units)
		if n == 0 || page.Units[n-1].Unit != l.Unit {
			page.Units = append(page.Units, claimUnit{Line: l})
			n++
		}
		u := &page.Units[n-1]
		u.Lines, u.Sum, page.Total = append(u.Lines, l), u.Sum+l.HandsOn, page.Total+l.HandsOn
		page.Doubtful += l.Doubtful
	}
	return "campaign-claim", page, nil
}

// InMinutes is a time in minutes, for a table.
func (b *Base) InMinutes(d time.Duration) string { return b.Number(d.Minutes(), 1) }

// claimCSV is the sheet as a file.
func (p *Pages) claimCSV(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	c, lines, err := p.claimOf(r, b)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	p.table(w, "claim-"+string(c.ID), export.Claim(b, b.Shop, lines))
}
