package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"tickover/queue"
)

// logs ends all processes and reads what they wrote at their loudest. A unit's
// command can be followed from the floor that took it through every process that
// serves the site, to the offer that the dispatcher made of it and the bench
// that shows it; and no process wrote a secret.
func (d *deployment) logs(t *testing.T, site queue.SiteID, unit string) {
	for _, p := range d.all {
		p.kill()
	}
	command := map[string]any{"site": string(site), "unit": unit, "command": "arrive-" + unit}
	taken := d.lines("floor", command, "command carried out")
	if len(taken) != 1 {
		t.Fatalf("the command was carried out %d times by the log of the floors", len(taken))
	}
	seq := taken[0]["seq"]
	command["seq"] = seq
	for _, role := range []string{"floor", "dispatch", "bench"} {
		if len(d.lines(role, command, "entry folded")) == 0 {
			t.Errorf("no line of the role %s has site, unit, command and sequence of %s", role, unit)
		}
	}
	if made := d.lines("dispatch", map[string]any{"site": string(site), "unit": unit}, "offer made"); len(made) == 0 {
		t.Errorf("no line of the dispatchers says that %s was offered", unit)
	} else if made[0]["seq"].(float64) < seq.(float64) {
		t.Errorf("%s was offered by entry %v, before it came with entry %v", unit, made[0]["seq"], seq)
	}
	if len(d.lines("bench", map[string]any{"site": string(site), "unit": unit}, "offer shown")) == 0 {
		t.Errorf("no line of the benches says that %s was shown", unit)
	}
	for i, p := range d.all {
		d.silent(t, fmt.Sprintf("process %d, %s,", i, p.role), p.errs.String())
	}
	for _, n := range d.Nodes {
		d.silent(t, n.Name, n.Output())
	}
	d.silent(t, "Redis", d.redis.Output())
}

// lines are those that processes of a role wrote with the message and fields.
func (d *deployment) lines(role string, want map[string]any, message string) (found []map[string]any) {
	for _, p := range d.all {
		if p.role == role {
			found = append(found, linesOf(p.errs.String(), want, message)...)
		}
	}
	return found
}

func linesOf(text string, want map[string]any, message string) (found []map[string]any) {
	for line := range strings.Lines(text) {
		var f map[string]any
		if json.Unmarshal([]byte(line), &f) != nil || message != "" && f["msg"] != message {
			continue
		}
		all := true
		for k, v := range want {
			all = all && f[k] == v
		}
		if all {
			found = append(found, f)
		}
	}
	return found
}

// silent fails when a text has one of the secrets.
func (d *deployment) silent(t *testing.T, who, text string) {
	t.Helper()
	for what, secret := range d.secrets {
		if secret == "" {
			t.Errorf("the %s is empty, so nothing was looked for", what)
		} else if at := strings.Index(text, secret); at >= 0 {
			t.Errorf("%s wrote the %s: %.200s", who, what, strings.ReplaceAll(text[max(0, at-150):at], "\n", " "))
		}
	}
}
