package pages

import (
	"context"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/photos"
)

// photoField is how a form names a photo of the evidence under the key that
// follows.
const photoField = "photo."

// Bounds of a form with photos, beside its bytes.
const (
	partsMax  = 1000
	photosMax = 3 * queue.PhotosMax // in all its fields
)

// photo serves a kept photo. Its name is its content, so it never changes.
func (p *Pages) photo(w http.ResponseWriter, r *http.Request) {
	if p.o.Photos == nil {
		http.NotFound(w, r)
		return
	}
	b, err := p.o.Photos.Get(photos.Hash(r.PathValue("hash")))
	switch {
	case errors.Is(err, photos.ErrNone):
		http.NotFound(w, r)
		return
	case err != nil:
		p.log.Error("photo not served", zap.Error(err))
		http.Error(w, "This photo's file is damaged; the cause is in Tickover's log.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(b)))
	w.Header().Set("Cache-Control", "private, max-age=31536000, immutable")
	_, _ = w.Write(b)
}

// multipartForm reads a form with photos. Each photo is kept at once and its
// hash joins the fields, so that a form which is refused comes back with it. A
// photo that can't be kept is said by photoTrouble; the other fields are there.
func (p *Pages) multipartForm(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, formMax+queue.PhotosMax*photos.BytesMax)
	parts, err := r.MultipartReader()
	if err != nil {
		p.unreadable(w, r)
		return false
	}
	values, room, trouble := url.Values{}, int64(formMax), error(nil)
	for n, taken := 0, 0; ; n++ {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil && part.FileName() != "" {
			taken++
		}
		if n >= partsMax || taken > photosMax {
			p.unreadable(w, r)
			return false
		}
		var large *http.MaxBytesError
		switch {
		case errors.As(err, &large):
			trouble = photos.ErrTooLarge
		case err != nil:
			p.unreadable(w, r)
			return false
		}
		if trouble != nil && err != nil {
			break
		}
		if key, isPhoto := strings.CutPrefix(part.FormName(), photoField); isPhoto {
			if err := p.keep(r, part, key, values); err != nil && trouble == nil {
				trouble = err
			}
			continue
		}
		b, err := io.ReadAll(io.LimitReader(part, room+1))
		if room -= int64(len(b)); err != nil || room < 0 {
			p.unreadable(w, r)
			return false
		}
		values.Add(part.FormName(), string(b))
	}
	r.Form, r.PostForm = values, values
	if trouble != nil {
		pr, known := answer.Of(trouble)
		if !known {
			p.log.Error("photo not kept", zap.Error(trouble))
		}
		*r = *r.WithContext(withTrouble(r.Context(), pr))
	}
	return true
}

type troubleKey struct{}

func withTrouble(ctx context.Context, pr *answer.Problem) context.Context {
	return context.WithValue(ctx, troubleKey{}, pr)
}

// photoTrouble is why a photo of the form was not kept, nil if all were.
func photoTrouble(r *http.Request) *answer.Problem {
	pr, _ := r.Context().Value(troubleKey{}).(*answer.Problem)
	return pr
}

// keep puts one photo of a form into the store.
func (p *Pages) keep(r *http.Request, part *multipart.Part, key string, values url.Values) error {
	if part.FileName() == "" {
		return nil // nothing was chosen
	}
	name := "ev." + key
	if len(hashes(values[name])) >= queue.PhotosMax {
		return answer.Refused(queue.Refuse(queue.CodeMalformed, "Choose those that show it best.", "there are more than %d photos", queue.PhotosMax))
	}
	if p.o.Photos == nil {
		return answer.Malformed(name, nil, "this Tickover keeps no photos", "Send it without one.")
	}
	h, err := p.o.Photos.Put(r.Context(), part)
	if large := new(http.MaxBytesError); errors.As(err, &large) {
		return photos.ErrTooLarge
	}
	if err != nil {
		return err
	}
	values.Add(name, string(h))
	return nil
}

func (p *Pages) unreadable(w http.ResponseWriter, r *http.Request) {
	p.plain(w, r, http.StatusBadRequest, "This form could not be read.", "Nothing was changed. Go back, and send it again with shorter texts.")
}

// hashes lists what the fields of one name hold, each once.
func hashes(fields []string) []string {
	var out []string
	for _, f := range fields {
		for _, h := range strings.Fields(f) {
			if !slices.Contains(out, h) {
				out = append(out, h)
			}
		}
	}
	return out
}

// Photos lists the photos in a field of a form that was refused, and those that
// the step has already.
func (c Card) Photos(action string, key queue.EvidenceKey) []string {
	if c.Tried.Is(action, c.Sheet.Unit.ID, c.Sheet.Step.ID) {
		return hashes(c.Tried.Values["ev."+string(key)])
	}
	return nil
}

// KeepsPhotos reports whether photos can be taken here.
func (b *Base) KeepsPhotos() bool { return b.photos }

// PhotoField is the field of the operation that asks for photos, or one of our
// own that does not have to be filled in.
func (c Card) PhotoField() queue.EvidenceField {
	for _, f := range c.Sheet.Op.Evidence {
		if f.Key == queue.EvidencePhotos {
			return f
		}
	}
	return queue.EvidenceField{Key: queue.EvidencePhotos, Label: c.T("Photo"), Type: queue.Photo}
}
