package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"net/url"
	"slices"
	"time"

	"tickover/services/floor/api"
)

type campaignsCmd struct {
	List    campaignsListCmd   `cmd:"" help:"Campaigns, with how far they are swept."`
	Show    campaignShowCmd    `cmd:"" help:"A campaign with its machines and how it stands with their owners."`
	Open    campaignOpenCmd    `cmd:"" help:"Call machines back by a bulletin. A mandatory calibration does so by itself."`
	Contact campaignContactCmd `cmd:"" help:"Record how it stands with a machine's owner."`
	Times   campaignTimesCmd   `cmd:"" help:"Propose times at which a machine can come."`
	Sweep   campaignSweepCmd   `cmd:"" help:"Give a visit what the campaign asks for."`
	Claim   campaignClaimCmd   `cmd:"" help:"The claim sheet as CSV."`
	Close   campaignCloseCmd   `cmd:"" help:"End a campaign."`
}

type campaignsListCmd struct{ askFlags }

func (c *campaignsListCmd) Run(ctx context.Context, out streams) error {
	var v api.CampaignList
	return c.get(ctx, out, "/campaigns", &v, func(w io.Writer) {
		rows := []string{"campaign\ttitle\topened\tclosed\tswept"}
		for _, x := range v.Campaigns {
			rows = append(rows, row(x.ID, x.Title, x.Opened, x.Closed, fmt.Sprintf("%d of %d", x.Swept, x.Total)))
		}
		columns(w, rows...)
	})
}

type campaignShowCmd struct {
	askFlags
	Campaign string `arg:"" help:"Its id."`
}

func (c *campaignShowCmd) Run(ctx context.Context, out streams) error {
	var v api.CampaignDetail
	return c.get(ctx, out, "/campaigns/"+url.PathEscape(c.Campaign), &v, func(w io.Writer) {
		fmt.Fprintf(w, "%s: %s, %d of %d swept\n", v.ID, v.Title, v.Swept, v.Total)
		rows := []string{"machine\tlast visit\t\twhere\tstate\tbooked for\tflashed last\tnote"}
		for _, l := range v.Lines {
			state := l.State
			if !l.Open {
				state = "swept"
			}
			rows = append(rows, row(l.Key, l.Unit, machineName(l.Machine), l.Status, state, l.Slot, l.Flashed, l.Note))
		}
		columns(w, rows...)
	})
}

type campaignOpenCmd struct {
	tellFlags
	Campaign  string `arg:"" help:"Its id."`
	Title     string `required:"" help:"What it is about."`
	ForCaller string `help:"What to tell the customer."`
	Make      string `help:"Only this make."`
	Model     string `help:"Only this model."`
	YearFrom  int    `help:"The first model year."`
	YearTo    int    `help:"The last model year."`
	Family    string `help:"Only this controller family."`
	Fitment   string `help:"Only this fitment."`
	FrameFrom string `help:"The first frame number."`
	FrameTo   string `help:"The last frame number."`
}

func (c *campaignOpenCmd) Run(ctx context.Context, out streams) error {
	which := map[string]any{}
	for k, v := range map[string]string{"make": c.Make, "model": c.Model, "family": c.Family, "fitment": c.Fitment, "frame_from": c.FrameFrom, "frame_to": c.FrameTo} {
		if v != "" {
			which[k] = v
		}
	}
	for k, v := range map[string]int{"year_from": c.YearFrom, "year_to": c.YearTo} {
		if v != 0 {
			which[k] = v
		}
	}
	return c.post(ctx, out, "/campaigns", map[string]any{"id": c.Campaign, "title": c.Title, "for_caller": c.ForCaller, "machines": which}, "the campaign is open")
}

type campaignContactCmd struct {
	tellFlags
	Campaign string `arg:"" help:"Its id."`
	Machine  string `arg:"" help:"As show prints it, or its frame number as typed."`
	State    string `arg:"" help:"How it stands." enum:"to-call,called,booked,declined,done-elsewhere"`
	Slot     string `help:"When it is booked for, as 2026-02-20T09:00Z or with the zone's offset."`
	Note     string `help:"What was said."`
}

func (c *campaignContactCmd) Run(ctx context.Context, out streams) error {
	f := map[string]any{"machine": c.Machine, "state": c.State, "note": c.Note}
	if c.Slot != "" {
		t, err := time.Parse(time.RFC3339, c.Slot)
		if err != nil {
			t, err = time.Parse("2006-01-02T15:04Z07:00", c.Slot)
		}
		if err != nil {
			return fmt.Errorf("%q is no moment; write it with its zone, as 2026-02-20T09:00+01:00", c.Slot)
		}
		f["slot"] = t
	}
	return c.post(ctx, out, "/campaigns/"+url.PathEscape(c.Campaign)+"/contact", f, "recorded: "+c.State)
}

type campaignTimesCmd struct {
	shopFlags
	Campaign string `arg:"" help:"Its id."`
	Machine  string `arg:"" help:"As show prints it, or its frame number as typed."`
	JSON     bool   `name:"json" help:"Print the API's answer."`
}

func (c *campaignTimesCmd) Run(ctx context.Context, out streams) error {
	var v api.TimesView
	a := askFlags{shopFlags: c.shopFlags, JSON: c.JSON}
	return a.get(ctx, out, "/campaigns/"+url.PathEscape(c.Campaign)+"/times?"+query("machine", c.Machine), &v, func(w io.Writer) {
		if len(v.Times) == 0 {
			fmt.Fprintln(w, cmp.Or(v.Why, fmt.Sprintf("no opening in the next %d opening days would do without a promise getting worse", v.Days)))
			return
		}
		rows := []string{"come\tready, by the plan"}
		for _, t := range v.Times {
			rows = append(rows, row(t.At, t.Ready))
		}
		columns(w, rows...)
	})
}

type campaignSweepCmd struct {
	tellFlags
	Campaign string `arg:"" help:"Its id."`
	Unit     string `arg:"" help:"The ticket of the visit."`
}

func (c *campaignSweepCmd) Run(ctx context.Context, out streams) error {
	return c.post(ctx, out, "/units/"+url.PathEscape(c.Unit)+"/sweep", map[string]any{"campaign": c.Campaign}, "the campaign's steps are on "+c.Unit)
}

type campaignClaimCmd struct {
	askFlags
	Campaign string `arg:"" help:"Its id."`
}

func (c *campaignClaimCmd) Run(ctx context.Context, out streams) error {
	path := "/campaigns/" + url.PathEscape(c.Campaign) + "/claim"
	if !c.JSON {
		path += ".csv"
	}
	return c.file(ctx, out, path)
}

type campaignCloseCmd struct {
	tellFlags
	Campaign string `arg:"" help:"Its id."`
	Reason   string `required:"" help:"Why."`
}

func (c *campaignCloseCmd) Run(ctx context.Context, out streams) error {
	return c.post(ctx, out, "/campaigns/"+url.PathEscape(c.Campaign)+"/close", map[string]any{"reason": c.Reason}, "the campaign is closed")
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }
