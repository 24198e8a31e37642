// Package answer says in HTTP and in a person's words why a command was not
// carried out. Its one table maps the queue's codes and the log's errors to
// statuses; the JSON API and the pages both answer from it.
//
// It guarantees that every error gets an answer, and that the cause of an
// error which is not the sender's fault is not shown: such an answer carries
// an id under which the program's own log has the cause.
package answer

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/floor/locale"
	"tickover/services/ledger"
	"tickover/services/photos"
)

// Codes beside those of [queue.Code].
const (
	CodeStorage     queue.Code = "storage"     // the log can't take it now
	CodeUnconfirmed queue.Code = "unconfirmed" // the log did not confirm it: send it again
	CodeBusy        queue.Code = "busy"        // others were faster: send it again
	CodeCancelled   queue.Code = "cancelled"   // the sender went away or was too slow
	CodeTooLarge    queue.Code = "too-large"
	CodeForeign     queue.Code = "foreign" // came from another site's page
	CodeInternal    queue.Code = "internal"
)

// Problem is an RFC 9457 problem: what the API answers instead of a result.
// Nothing was changed, except that for the code "unconfirmed" nobody knows:
// the same command sent again is carried out once.
type Problem struct {
	Type     string  `json:"type,omitempty" doc:"about:blank, or the address of the rule's explanation" example:"/cautions#I8"`
	Title    string  `json:"title,omitempty" doc:"The status in words"`
	Status   int     `json:"status,omitempty" doc:"The HTTP status"`
	Detail   string  `json:"detail,omitempty" doc:"What is wrong and what to do, in one line"`
	Instance string  `json:"instance,omitempty" doc:"For code internal: the id under which the program's log has the cause"`
	Errors   []Field `json:"errors,omitempty" nullable:"false" doc:"Each field that is wrong"`

	Code      queue.Code `json:"code,omitempty" doc:"The sort of refusal, for programs" example:"interlock"`
	Interlock string     `json:"interlock,omitempty" doc:"The number of the interlock that stands in the way" example:"I8"`
	What      string     `json:"what,omitempty" doc:"What is wrong"`
	Do        string     `json:"do,omitempty" doc:"What to do about it"`
	Override  bool       `json:"override_allowed,omitempty" doc:"A foreman may let it pass: send overrides with a reason"`

	refusal *queue.Refusal
}

// In says the problem in a person's language.
func (p *Problem) In(l *locale.Locale) *Problem {
	q := *p
	q.What, q.Do = l.Word(p.What), l.Word(p.Do)
	if p.refusal != nil {
		if format, args := p.refusal.Words(); len(args) > 0 {
			q.What = l.Say(locale.Say(format, known(l, args)...))
		}
		if format, args := p.refusal.DoWords(); len(args) > 0 {
			q.Do = l.Say(locale.Say(format, known(l, args)...))
		}
	}
	q.Errors = make([]Field, len(p.Errors))
	for i, f := range p.Errors {
		f.Message = l.Word(f.Message)
		if len(f.say) > 0 {
			f.Message = f.in(l)
		}
		f.Location = l.Say(or(f.where, f.Location))
		q.Errors[i] = f
	}
	q.Detail = Sentence(q.What) + " " + q.Do
	if q.Interlock != "" {
		q.Detail = q.Interlock + ": " + q.Detail
	}
	return &q
}

// known are values, those that are words of ours in the language.
func known(l *locale.Locale, args []any) []any {
	out := make([]any, len(args))
	for i, a := range args {
		if s, ok := a.(string); ok {
			a = l.Word(s)
		}
		out[i] = a
	}
	return out
}

// Write sends the problem as JSON.
func (p *Problem) Write(w http.ResponseWriter) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_ = json.NewEncoder(w).Encode(p) // who went away does not read it
}

// Field is one field that is wrong.
type Field struct {
	Message  string `json:"message,omitempty"`
	Location string `json:"location,omitempty" doc:"Where, for example body.evidence.battery_v"`
	Value    any    `json:"value,omitempty" doc:"What was sent there"`

	where locale.Said
	say   []locale.Said
}

// FieldOf is a field of a form or a line of a file with its sentences, where
// it is may be said in another language too.
func FieldOf(where locale.Said, sentences ...locale.Said) Field {
	f := Field{Location: where.String(), where: where, say: sentences}
	var out []string
	for _, s := range sentences {
		out = append(out, Sentence(s.String()))
	}
	f.Message = strings.TrimSpace(strings.Join(out, " "))
	return f
}

func (f *Field) in(l *locale.Locale) string {
	var out []string
	for _, s := range f.say {
		out = append(out, Sentence(l.Say(s)))
	}
	return strings.TrimSpace(strings.Join(out, " "))
}

func or(s locale.Said, text string) locale.Said {
	if s.IsZero() && text != "" {
		return locale.Said{Format: "%s", Args: []any{text}}
	}
	return s
}

func (p *Problem) Error() string { return p.Detail }

// GetStatus is the HTTP status.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType makes JSON a problem document.
func (p *Problem) ContentType(ct string) string {
	if ct == "application/json" {
		return "application/problem+json"
	}
	return ct
}

// refusals maps the queue's codes. An interlock is a conflict with the state
// of the shop, so is a step in another state; a name that the shop does not
// have is 404; what can't be meant is 422.
var refusals = map[queue.Code]int{
	queue.CodeInterlock:   http.StatusConflict,
	queue.CodeUnknown:     http.StatusNotFound,
	queue.CodeMalformed:   http.StatusUnprocessableEntity,
	queue.CodeWrongStep:   http.StatusConflict,
	queue.CodeNotReady:    http.StatusConflict,
	queue.CodeWrongBench:  http.StatusConflict,
	queue.CodeWrongPerson: http.StatusForbidden,
	queue.CodeStale:       http.StatusPreconditionFailed,
	queue.CodeExists:      http.StatusConflict,
	queue.CodeClosed:      http.StatusConflict,
	queue.CodeFull:        http.StatusConflict,
}

// failures maps the errors of the log and the ledger, first match first.
var failures = []struct {
	err    error
	status int
	code   queue.Code
	what   string
	do     string
}{
	{log.ErrFull, http.StatusServiceUnavailable, CodeStorage, locale.Mark("the shop's log is full, so nothing can be recorded"), locale.Mark("Free or add disk space on the machine that runs Tickover, then send it again. Reading goes on.")},
	{log.ErrNotDurable, http.StatusServiceUnavailable, CodeUnconfirmed, locale.Mark("the log did not confirm that this is on disk"), locale.Mark("Send it again as it is: it is recorded once.")},
	{log.ErrUnanswered, http.StatusServiceUnavailable, CodeUnconfirmed, locale.Mark("the log did not confirm that this is on disk"), locale.Mark("Send it again as it is: it is recorded once.")},
	{log.ErrClosed, http.StatusServiceUnavailable, CodeStorage, locale.Mark("the shop's log is shut"), locale.Mark("Wait until Tickover has started again, then send it again.")},
	{log.ErrInvalid, http.StatusUnprocessableEntity, queue.CodeMalformed, locale.Mark("the log can't store this command"), locale.Mark("Use a command id of at most 64 letters, digits, '-' and '.', and shorter texts.")},
	{photos.ErrTooLarge, http.StatusRequestEntityTooLarge, CodeTooLarge, locale.Mark("the photo is larger than 12 MB"), locale.Mark("Take it again with fewer pixels, or send it without the photo. What you wrote is still here.")},
	{photos.ErrPixels, http.StatusUnprocessableEntity, CodeTooLarge, locale.Mark("the photo has more than 64 million pixels"), locale.Mark("Take it again with fewer pixels, or send it without the photo. What you wrote is still here.")},
	{photos.ErrKind, http.StatusUnprocessableEntity, queue.CodeMalformed, locale.Mark("this file is no JPEG, PNG or WebP picture"), locale.Mark("Choose a photo. What you wrote is still here.")},
	{photos.ErrDamaged, http.StatusUnprocessableEntity, queue.CodeMalformed, locale.Mark("this picture is incomplete or damaged"), locale.Mark("Take it again. What you wrote is still here.")},
	{photos.ErrFull, http.StatusServiceUnavailable, CodeStorage, locale.Mark("there is no room on the disk for photos"), locale.Mark("Send it without the photo, and tell whoever looks after Tickover. What you wrote is still here.")},
	{ledger.ErrBusy, http.StatusServiceUnavailable, CodeBusy, locale.Mark("others were faster several times in a row"), locale.Mark("Send it again.")},
	{context.DeadlineExceeded, http.StatusServiceUnavailable, CodeUnconfirmed, locale.Mark("it took too long"), locale.Mark("Send it again as it is: it is recorded once.")},
	{context.Canceled, http.StatusServiceUnavailable, CodeCancelled, locale.Mark("the request was given up"), locale.Mark("Send it again as it is: it is recorded once.")},
}

// Of answers an error. Known reports that the cause is told in full; the
// answer to an unknown one keeps the cause back, for the caller's log.
func Of(err error) (p *Problem, known bool) {
	var r *queue.Refusal
	if errors.As(err, &r) {
		return Refused(r), true
	}
	if errors.As(err, &p) {
		return p, true
	}
	for _, f := range failures {
		if errors.Is(err, f.err) {
			return problem(f.status, f.code, f.what, f.do), true
		}
	}
	return problem(http.StatusInternalServerError, CodeInternal, locale.Mark("Tickover made a mistake"), locale.Mark("Tell whoever looks after it the number of this answer; the cause is in its log.")), false
}

// Refused answers a refusal of the queue.
func Refused(r *queue.Refusal) *Problem {
	status, ok := refusals[r.Code]
	if !ok {
		status = http.StatusConflict
	}
	p := problem(status, r.Code, r.What, r.Do)
	p.refusal = r
	p.Override = r.Override
	if r.Interlock > 0 {
		p.Interlock = r.Interlock.String()
		p.Type = "/cautions#" + p.Interlock
		p.Detail = p.Interlock + ": " + p.Detail
	}
	return p
}

// New answers with a code of this package or the queue.
func New(status int, code queue.Code, what, do string) *Problem {
	return problem(status, code, what, do)
}

// Malformed answers a field that can't be meant as it is.
func Malformed(location string, value any, what, do string) *Problem {
	p := problem(http.StatusUnprocessableEntity, queue.CodeMalformed, what, do)
	p.Errors = []Field{{Message: what, Location: location, Value: value}}
	return p
}

// Unknown answers a name that the shop does not have; args go into what.
func Unknown(what, do string, args ...any) *Problem {
	return Refused(queue.Refuse(queue.CodeUnknown, do, what, args...))
}

// Lines answers a file of which nothing was taken.
func Lines(fields []Field, do, format string, args ...any) *Problem {
	p := Refused(queue.Refuse(queue.CodeMalformed, do, format, args...))
	p.Errors = fields
	return p
}

func problem(status int, code queue.Code, what, do string) *Problem {
	return &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Code: code, What: what, Do: do, Detail: Sentence(what) + " " + do}
}

// Sentence gives a clause a capital, unless it begins with an id, and a full
// stop.
func Sentence(clause string) string {
	if clause == "" {
		return ""
	}
	first, _, _ := strings.Cut(clause, " ")
	if c := clause[0]; 'a' <= c && c <= 'z' && !strings.ContainsAny(first, "0123456789") {
		clause = string(c-'a'+'A') + clause[1:]
	}
	if !strings.HasSuffix(clause, ".") && !strings.HasSuffix(clause, "?") && !strings.HasSuffix(clause, "…") {
		clause += "."
	}
	return clause
}

// TooLarge answers what is more than is taken.
func TooLarge(do, format string, args ...any) *Problem {
	r := queue.Refuse(CodeTooLarge, do, format, args...)
	p := Refused(r)
	p.Status, p.Title = http.StatusRequestEntityTooLarge, http.StatusText(http.StatusRequestEntityTooLarge)
	return p
}
