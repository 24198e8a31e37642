package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"tickover/queue"
	"tickover/services/catalogue"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
	"tickover/services/floor/locale"
)

type (
	listBody struct {
		Meta
		Calibrations []queue.Calibration `json:"calibrations" minItems:"1" maxItems:"200" nullable:"false"`
	}
	withdrawInput struct {
		Key      string              `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		ID       queue.CalibrationID `path:"id" maxLength:"64"`
		Revision int                 `path:"revision" minimum:"1" maximum:"1000000"`
		Body     reasonBody
	}
	openCampaignBody struct {
		Meta
		ID        queue.CampaignID `json:"id" minLength:"1" maxLength:"64"`
		Title     string           `json:"title" minLength:"1" maxLength:"2000"`
		ForCaller string           `json:"for_caller,omitempty" maxLength:"2000" doc:"What to tell the customer"`
		Machines  queue.Selection  `json:"machines" doc:"Which machines are called back; empty fields match all"`
	}
	campaignInput[B any] struct {
		Key      string           `header:"Idempotency-Key" maxLength:"64" doc:"Instead of command_id"`
		Campaign queue.CampaignID `path:"campaign" maxLength:"64"`
		Body     B
	}
	contactBody struct {
		Meta
		Machine queue.MachineKey   `json:"machine" minLength:"1" maxLength:"200" doc:"As the campaign's list has it"`
		State   queue.ContactState `json:"state" enum:"to-call,called,booked,declined,done-elsewhere"`
		Slot    time.Time          `json:"slot,omitzero" doc:"When it is booked for"`
		Note    string             `json:"note,omitempty" maxLength:"2000"`
	}
	sweepBody struct {
		Meta
		Campaign queue.CampaignID `json:"campaign" minLength:"1" maxLength:"64"`
	}
)

// calibrations registers the catalogue and the campaigns.
func (a *API) calibrations() {
	const tag = "calibrations"
	get(a, "/calibrations", "calibrations", "The catalogue of calibrations", tag, a.listCalibrations)
	onShop(a, "/calibrations", "listCalibrations", "List calibrations; a mandatory one opens a campaign", tag, func(b *listBody) (queue.Action, queue.UnitID) {
		return &queue.ListCalibrations{Calibrations: b.Calibrations}, ""
	})
	huma.Register(a.routes, a.operation(http.MethodPost, "/calibrations/{id}/{revision}/withdraw", "withdrawCalibration", "Take one revision out of the catalogue", tag),
		func(ctx context.Context, in *withdrawInput) (*receipt, error) {
			return a.do(ctx, in.Key, &in.Body.Meta, &queue.WithdrawCalibration{Ref: queue.CalibrationRef{ID: in.ID, Revision: in.Revision}, Reason: in.Body.Reason}, "")
		})
	op := a.operation(http.MethodPost, "/calibrations/import", "importCalibrations", "List calibrations from a CSV file, all or none; the same file again changes nothing", tag)
	op.MaxBodyBytes = ImportMax
	huma.Register(a.routes, op, a.importCalibrations)

	get(a, "/campaigns", "campaigns", "Campaigns, with how far they are swept", tag, a.listCampaigns)
	get(a, "/campaigns/{campaign}", "campaign", "A campaign with its machines", tag, a.campaign)
	onShop(a, "/campaigns", "openCampaign", "Call machines back by a bulletin", tag, func(b *openCampaignBody) (queue.Action, queue.UnitID) {
		return &queue.OpenCampaign{Campaign: queue.CampaignOpened{ID: b.ID, Title: b.Title, ForCaller: b.ForCaller, Bulletin: &b.Machines}}, ""
	})
	onCampaign(a, "close", "closeCampaign", "End a campaign", func(id queue.CampaignID, b *reasonBody) queue.Action {
		return &queue.CloseCampaign{ID: id, Reason: b.Reason}
	})
	onCampaign(a, "contact", "contactOwner", "Record how it stands with a machine's owner", func(id queue.CampaignID, b *contactBody) queue.Action {
		return &queue.ContactOwner{Contact: queue.CampaignContacted{ID: id, Machine: b.Machine, State: b.State, Slot: b.Slot, Note: b.Note}}
	})
	onUnit(a, "sweep", "sweepUnit", "Give a visit what an open campaign asks for", func(u queue.UnitID, b *sweepBody) queue.Action {
		return &queue.SweepUnit{Unit: u, Campaign: b.Campaign}
	})
}

func onCampaign[B any, P interface {
	*B
	metaOf
}](a *API, verb, id, summary string, action func(queue.CampaignID, *B) queue.Action) {
	huma.Register(a.routes, a.operation(http.MethodPost, "/campaigns/{campaign}/"+verb, id, summary, "calibrations"), func(ctx context.Context, in *campaignInput[B]) (*receipt, error) {
		return a.do(ctx, in.Key, P(&in.Body).meta(), action(in.Campaign, &in.Body), "")
	})
}

// CalibrationList is the catalogue.
type CalibrationList struct {
	Calibrations []queue.Calibration    `json:"calibrations" nullable:"false"`
	Withdrawn    []WithdrawnCalibration `json:"withdrawn" nullable:"false"`
}

// WithdrawnCalibration is one that is not flashed any more.
type WithdrawnCalibration struct {
	ID       queue.CalibrationID `json:"id"`
	Revision int                 `json:"revision"`
	Reason   string              `json:"reason"`
}

type calibrationsInput struct {
	LookBack
	Make  string `query:"make" maxLength:"80" doc:"Only this make, whatever its case"`
	Model string `query:"model" maxLength:"80"`
}

func (a *API) listCalibrations(ctx context.Context, in *calibrationsInput) (CalibrationList, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return CalibrationList{}, err
	}
	out := CalibrationList{Calibrations: []queue.Calibration{}, Withdrawn: []WithdrawnCalibration{}}
	for _, c := range st.Catalogue().All() {
		if (in.Make == "" || strings.EqualFold(in.Make, c.Make)) && (in.Model == "" || strings.EqualFold(in.Model, c.Model)) {
			out.Calibrations = append(out.Calibrations, c)
		}
	}
	for ref, why := range st.Withdrawn {
		out.Withdrawn = append(out.Withdrawn, WithdrawnCalibration{ref.ID, ref.Revision, why})
	}
	slices.SortFunc(out.Withdrawn, func(x, y WithdrawnCalibration) int {
		if n := strings.Compare(string(x.ID), string(y.ID)); n != 0 {
			return n
		}
		return x.Revision - y.Revision
	})
	return out, nil
}

type importCalibrationsInput struct {
	Actor     queue.PersonID `query:"actor" required:"true" minLength:"1" maxLength:"64" doc:"Who says so: a foreman"`
	CheckOnly bool           `query:"check_only" doc:"Change nothing, tell what would happen"`
	RawBody   []byte         `contentType:"text/csv"`
}

// CalibrationReport says what an import came to.
type CalibrationReport struct {
	Rows      int                `json:"rows" doc:"Readable lines of the file"`
	Added     int                `json:"added"`
	Unchanged int                `json:"unchanged" doc:"Listed before, as they are"`
	Campaigns []queue.CampaignID `json:"campaigns" nullable:"false" doc:"Campaigns that open with it"`
	Errors    []answer.Field     `json:"errors" nullable:"false" doc:"Bad lines, with check_only"`
}

func (a *API) importCalibrations(ctx context.Context, in *importCalibrationsInput) (*body[CalibrationReport], error) {
	st, err := a.shop(ctx)
	if err != nil {
		return nil, err
	}
	if !isSomebody(ctx, st.Shop, in.Actor) {
		return nil, answer.Unknown("there is nobody called %q in the shop file", "Send the id of a foreman.", string(in.Actor))
	}
	if err := gate.Vet(ctx, st, &queue.Command{Actor: in.Actor}); err != nil {
		return nil, err
	}
	rep, err := catalogue.CSV(ctx, a.o.Ledger, bytes.NewReader(in.RawBody), catalogue.Options{Actor: in.Actor, Now: a.o.Now(), CheckOnly: in.CheckOnly})
	if err != nil && !(errors.Is(err, catalogue.ErrBadRows) && in.CheckOnly) {
		return nil, a.fail(CatalogueProblem(rep, err))
	}
	return &body[CalibrationReport]{CalibrationReport{rep.Rows, rep.Added, rep.Unchanged, append([]queue.CampaignID{}, rep.Campaigns...), lines(rep.Errors)}}, nil
}

// CatalogueProblem answers an import of calibrations that did not come to its
// end.
func CatalogueProblem(rep catalogue.Report, err error) error {
	if !errors.Is(err, catalogue.ErrBadRows) {
		return err
	}
	return badLines(rep.Errors, locale.Mark("Put the lines right and import the file again."))
}

// CampaignSummary is a campaign in a list.
type CampaignSummary struct {
	ID          queue.CampaignID      `json:"id"`
	Title       string                `json:"title"`
	Calibration *queue.CalibrationRef `json:"calibration,omitempty" doc:"Left out: a bulletin"`
	Machines    *queue.Selection      `json:"machines,omitempty" doc:"What a bulletin selects"`
	ForCaller   string                `json:"for_caller,omitempty"`
	Opened      time.Time             `json:"opened"`
	Closed      *time.Time            `json:"closed,omitempty"`
	Reason      string                `json:"reason,omitempty" doc:"Why it was closed"`
	Total       int                   `json:"machines_total"`
	Swept       int                   `json:"machines_swept"`
	States      map[string]int        `json:"open_by_state" nullable:"false" doc:"Open machines by the state of their owner"`
}

// CampaignList is all campaigns.
type CampaignList struct {
	Campaigns []CampaignSummary `json:"campaigns" nullable:"false"`
}

// CampaignMachine is a machine that a campaign concerns.
type CampaignMachine struct {
	Key       queue.MachineKey      `json:"machine"`
	Unit      queue.UnitID          `json:"unit" doc:"Its last visit"`
	Status    string                `json:"status" enum:"in-shop,showroom,delivered"`
	Machine   queue.Machine         `json:"is"`
	Contact   queue.ContactID       `json:"contact,omitempty"`
	Open      bool                  `json:"open" doc:"It is to be swept still"`
	State     string                `json:"state" enum:"to-call,called,booked,declined,done-elsewhere"`
	Slot      *time.Time            `json:"slot,omitempty"`
	Note      string                `json:"note,omitempty"`
	Flashed   *queue.CalibrationRef `json:"flashed,omitempty" doc:"What was flashed here last"`
	FlashedAt *time.Time            `json:"flashed_at,omitempty" doc:"Or since when it is not known what the controller holds"`
	Unsure    string                `json:"unsure,omitempty" enum:"flash-failed,read-otherwise,controller-new" doc:"Why it is not known what the controller holds"`
}

// CampaignDetail is a campaign with its machines.
type CampaignDetail struct {
	CampaignSummary
	Lines []CampaignMachine `json:"lines" nullable:"false"`
}

func summary(c *queue.Campaign, lines []queue.CampaignLine) CampaignSummary {
	s := CampaignSummary{ID: c.ID, Title: c.Title, Calibration: c.Calibration, Machines: c.Bulletin, ForCaller: c.ForCaller, Opened: c.Opened,
		Closed: timeOrNil(c.Closed), Reason: c.Reason, Total: len(lines), States: map[string]int{}}
	for i := range lines {
		if lines[i].Open {
			s.States[lines[i].Contact.State.String()]++
		} else {
			s.Swept++
		}
	}
	return s
}

func (a *API) listCampaigns(ctx context.Context, _ *none) (CampaignList, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return CampaignList{}, err
	}
	out, now, machines := CampaignList{Campaigns: []CampaignSummary{}}, a.now(ctx), st.Machines()
	for _, c := range st.Campaigns {
		out.Campaigns = append(out.Campaigns, summary(c, st.LinesOf(machines, c, now)))
	}
	slices.SortFunc(out.Campaigns, func(x, y CampaignSummary) int { return strings.Compare(string(x.ID), string(y.ID)) })
	return out, nil
}

type campaignPath struct {
	LookBack
	Campaign queue.CampaignID `path:"campaign" maxLength:"64"`
}

func (a *API) campaign(ctx context.Context, in *campaignPath) (CampaignDetail, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return CampaignDetail{}, err
	}
	c, err := campaignOf(st, in.Campaign)
	if err != nil {
		return CampaignDetail{}, err
	}
	lines := st.Lines(c, a.now(ctx))
	out := CampaignDetail{summary(c, lines), []CampaignMachine{}}
	for i := range lines {
		l, u := &lines[i], lines[i].Latest()
		out.Lines = append(out.Lines, CampaignMachine{l.Key, u.ID, u.Status.String(), u.Machine, u.Contact, l.Open, l.Contact.State.String(),
			timeOrNil(l.Contact.Slot), l.Contact.Note, l.Flashed, timeOrNil(l.FlashedAt), unsure(l.Unsure)})
	}
	return out, nil
}

func campaignOf(st *queue.State, id queue.CampaignID) (*queue.Campaign, error) {
	if c := st.Campaigns[id]; c != nil {
		return c, nil
	}
	return nil, answer.Unknown("there is no campaign %q", "Look at the list of campaigns.", id)
}

// unsure is why it is not known what a controller holds; empty: it is, or
// nothing was ever flashed.
func unsure(u queue.Unsure) string {
	if u == 0 {
		return ""
	}
	return u.String()
}
