package main

import (
	"strings"
	"testing"
)

// Only the last solution of a search that says it is complete is a proof.
func TestProof(t *testing.T) {
	first := `{"type":"solution","output":{"default":"{\"cost\": 9}\n"}}`
	second := `{"type":"solution","output":{"default":"{\"cost\": 7}\n"}}`
	done := `{"type":"status","status":"OPTIMAL_SOLUTION"}`
	tests := []struct{ name, give, want, trouble string }{
		{"proved", first + "\nplain talk\n" + second + "\n" + done, `{"cost":7}`, ""},
		{"cut short", first + "\n" + second, "", `the status ""`},
		{"impossible", `{"type":"status","status":"UNSATISFIABLE"}`, "", "UNSATISFIABLE"},
		{"error", `{"type":"error","what":"type error","message":"x is 3"}`, "", "type error: x is 3"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got, err := proof([]byte(test.give))
			if got != test.want || (err == nil) != (test.trouble == "") || err != nil && !strings.Contains(err.Error(), test.trouble) {
				t.Errorf("got %q, %v", got, err)
			}
		})
	}
}
