package pages

import (
	"net/http"

	"tickover/queue"
	"tickover/services/floor/locale"
)

func (p *Pages) home(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Live = b.Shop.Name, "home", true
	page := &boardPage{Base: b}
	page.list()
	cond := p.almanac(b).Conditions(b.State, b.Now, b.Now)
	for i := range b.Shop.Resources {
		if res := &b.Shop.Resources[i]; res.Kind == queue.Pad || res.Kind == queue.Loop {
			w := cond.Outdoor[res.ID]
			page.Outdoor = append(page.Outdoor, outdoorNow{res.Name, w.Until, b.Say(w.Why)})
		}
	}
	return "home", page, nil
}

// Rule is an interlock as the cautions page explains it.
type Rule struct {
	Number queue.Interlock
	Text   string
	Pass   string // whether a foreman may let it pass
}

func (p *Pages) cautions(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Cautions"), "cautions"
	texts := []string{
		locale.Mark("One flash at a time on an interface; one unit on a bench, a charger, a pad."),
		locale.Mark("While a flash runs, nothing else starts on that unit, and its interface, bench and charger stay taken."),
		locale.Mark("A flash needs a charger on the battery, or a rest voltage that is high enough."),
		locale.Mark("A flash needs the current calibration for the unit's model, year and fitment."),
		locale.Mark("A flash is not started when it would end after closing."),
		locale.Mark("Resets come after the flash; the next engine start after a reset is the relearn."),
		locale.Mark("The engine runs only outdoors, never at a bench."),
		locale.Mark("Relearn and test ride lie in daylight and outside quiet hours."),
		locale.Mark("A new flash or reset voids an earlier relearn, restart check and test ride."),
		locale.Mark("A test ride needs the relearn done, the restart check passed, and somebody who may ride."),
		locale.Mark("A unit leaves only with every step of its route done and its evidence complete."),
		locale.Mark("Evidence must be plausible: readings don't run backwards, dates don't lie in the future."),
		locale.Mark("A failed test ride opens rework; the unit stays until it passes."),
	}
	var rules []Rule
	for i, t := range texts {
		n := queue.Interlock(i + 1)
		pass := locale.Mark("never")
		if n.Overridable() {
			pass = locale.Mark("with a reason")
		}
		if n == queue.I9 {
			pass = locale.Mark("refuses nothing") // it voids
		}
		rules = append(rules, Rule{n, t, pass})
	}
	return "cautions", struct {
		*Base
		Rules []Rule
	}{b, rules}, nil
}

func (p *Pages) api(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("The API"), "api"
	return "api", struct {
		*Base
		Endpoints []Endpoint
	}{b, p.o.API}, nil
}
