package answer_test

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/floor/answer"
	"tickover/services/ledger"
)

// TestStatuses: each code of the queue and each error of the log has its
// status, and says what to do.
func TestStatuses(t *testing.T) {
	refused := func(c queue.Code) error { return &queue.Refusal{Code: c, What: "it is so", Do: "Do that."} }
	for _, tt := range []struct {
		give error
		want int
		code queue.Code
	}{
		{refused(queue.CodeInterlock), 409, queue.CodeInterlock},
		{refused(queue.CodeUnknown), 404, queue.CodeUnknown},
		{refused(queue.CodeMalformed), 422, queue.CodeMalformed},
		{refused(queue.CodeWrongStep), 409, queue.CodeWrongStep},
		{refused(queue.CodeNotReady), 409, queue.CodeNotReady},
		{refused(queue.CodeWrongBench), 409, queue.CodeWrongBench},
		{refused(queue.CodeWrongPerson), 403, queue.CodeWrongPerson},
		{refused(queue.CodeStale), 412, queue.CodeStale},
		{refused(queue.CodeExists), 409, queue.CodeExists},
		{refused(queue.CodeClosed), 409, queue.CodeClosed},
		{refused(queue.CodeFull), 409, queue.CodeFull},
		{refused("new-in-a-later-version"), 409, "new-in-a-later-version"},
		{fmt.Errorf("append: %w", log.ErrFull), 503, answer.CodeStorage},
		{fmt.Errorf("append: %w", log.ErrNotDurable), 503, answer.CodeUnconfirmed},
		{log.ErrClosed, 503, answer.CodeStorage},
		{log.ErrInvalid, 422, queue.CodeMalformed},
		{ledger.ErrBusy, 503, answer.CodeBusy},
		{answer.Malformed("body.at", "noon", "it is no time", "Write it so."), 422, queue.CodeMalformed},
	} {
		p, known := answer.Of(tt.give)
		if !known || p.Status != tt.want || p.Code != tt.code || p.Title != http.StatusText(tt.want) || p.What == "" || p.Do == "" {
			t.Errorf("%v: %+v (known %v), want %d %s", tt.give, p, known, tt.want, tt.code)
		}
	}
}

// TestCauseIsKeptBack: an error that is nobody's business outside says nothing
// of itself.
func TestCauseIsKeptBack(t *testing.T) {
	p, known := answer.Of(errors.New("open /var/lib/secret: permission denied"))
	if known || p.Status != http.StatusInternalServerError || strings.Contains(fmt.Sprint(*p), "secret") {
		t.Errorf("%+v (known %v)", p, known)
	}
}

func TestRefusalInFull(t *testing.T) {
	p := answer.Refused(&queue.Refusal{Code: queue.CodeInterlock, Interlock: queue.I8, What: "p1 is shut: quiet hours", Do: "Wait for it to open.", Override: true})
	if p.Detail != "I8: p1 is shut: quiet hours. Wait for it to open." || p.Interlock != "I8" || !p.Override || p.Type != "/cautions#I8" {
		t.Errorf("%+v", p)
	}
}
