package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"tickover/queue/shopfile"
	"tickover/services/floor/browsertest"
	"tickover/services/floor/setup"
)

// TestNewShopFromNothing: the program starts without a shop file, a browser
// makes one, and the same process goes on as that shop.
func TestNewShopFromNothing(t *testing.T) {
	for _, c := range []struct {
		width  int64
		scheme string
	}{{360, "dark"}, {1440, "light"}} {
		t.Run(fmt.Sprint(c.width), func(t *testing.T) {
			dir := t.TempDir()
			file := filepath.Join(dir, "shop.yaml")
			s := serve(t, file, filepath.Join(dir, "var"))
			t.Cleanup(func() { _ = s.cmd.Process.Kill() }) // when the test failed; else it has ended
			b := browsertest.New(t, s.base)
			b.Size(c.width, c.scheme)
			b.Open("/board")
			b.See(`form#setup`) // every page leads there
			if browsertest.Eval[string](b, `location.pathname`) != "/setup" {
				t.Errorf("at %s", browsertest.Eval[string](b, `location.href`))
			}
			// What is missing is said beside its field, and what was typed stays.
			b.Write(`[name="name"]`, "Harrow Fell Motos")
			b.Click(`.setup > .buttons button`)
			b.See(`#problems`)
			b.Shot("setup-wrong", c.width)
			if got := browsertest.Eval[string](b, `document.querySelector("[name=name]").value`); got != "Harrow Fell Motos" {
				t.Errorf("the name is %q", got)
			}
			if wrong := browsertest.Eval[string](b, `document.querySelector("[name=latitude]").getAttribute("aria-describedby")`); wrong == "" {
				t.Error("the latitude is not said to be wrong")
			}
			b.Write(`[name="time_zone"]`, "Europe/London")
			b.Write(`[name="latitude"]`, "54.5")
			b.Write(`[name="longitude"]`, "-3.1")
			b.Write(`[name="tech.0.name"]`, "Maud Ellerby")
			b.Write(`[name="quiet.sun"]`, "00:00-24:00")
			b.Click(`[name=route][value="trade-in"]`)
			browsertest.Eval[bool](b, `document.querySelector(".work").closest("details").open = true`)
			b.Write(`[name="op.flash.1"]`, "31")
			b.Click(`#people .add > summary`)
			b.Click(`[data-rows=tech] + .add-row`)
			b.Write(`[name="tech.4.name"]`, "Ivo Brandt")
			b.Write(`[name="tech.4.skills"]`, "prep, fit")
			b.Shot("setup-form", c.width)
			b.Click(`.setup > .buttons button`)
			b.See(`#look`)
			b.Shot("setup-look", c.width)
			browsertest.Eval[bool](b, `[...document.querySelectorAll("main details")].every((d) => d.open = true)`)
			b.Narrow("the setup page", c.width)
			if small := browsertest.Eval[string](b, `[...document.querySelectorAll("main button, main input:not([type=hidden]):not([type=checkbox]), main select, main a.button")].filter((e) => e.getClientRects().length && e.getBoundingClientRect().height < 44).map((e) => e.name || e.textContent).join(", ")`); small != "" {
				t.Errorf("small targets: %s", small)
			}
			shown := browsertest.Eval[string](b, `document.querySelector("#look").innerText`)
			for _, part := range []string{"hands-off: 31m", "maud:", "ivo:", "sunrise", "rises at"} {
				if !strings.Contains(shown, part) {
					t.Errorf("the new file shown lacks %q", part)
				}
			}
			if _, err := os.Stat(file); err == nil {
				t.Fatal("written before it was confirmed")
			}
			b.Click(`#write`)
			b.See(`#board, .chart-box`)
			if got := browsertest.Eval[string](b, `location.pathname + " " + document.body.innerText`); !strings.Contains(got, "/board") || !strings.Contains(got, "Harrow Fell Motos") {
				t.Errorf("after writing at %.300s", got)
			}
			b.Shot("setup-board", c.width)
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			shop, _, err := shopfile.Parse(file, text)
			if err != nil {
				t.Fatal(err)
			}
			if shop.Route("trade-in") != nil || shop.Operation("hours-check") != nil || !shop.Foreman("maud") || shop.Technician("ivo") == nil {
				t.Errorf("the shop is %+v", setup.Of(shop))
			}
			// Later the same page changes the file, and a new bench works at once.
			b.Open("/me?back=/setup")
			b.Click(`button[value=maud]`)
			b.See(`form#setup`)
			b.Click(`#things .add > summary`)
			b.Write(`[name="res.7.name"]`, "Bench 4")
			b.Write(`[name="res.7.tags"]`, "lift")
			b.Click(`.setup > .buttons button`)
			b.See(`#write`)
			b.Shot("setup-diff", c.width)
			b.Click(`#write`)
			b.See(`.notice.said`)
			if got := browsertest.Eval[string](b, `document.querySelector(".notice.said").innerText`); !strings.Contains(got, "in effect: benches and things") || !strings.Contains(got, "shop.yaml.before") {
				t.Errorf("it says %q", got)
			}
			b.Open("/bench/b4")
			b.See(`main h1`)
			if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if err := s.cmd.Wait(); err != nil {
				t.Errorf("the program ended: %v\n%s", err, s.errs)
			}
		})
	}
}
