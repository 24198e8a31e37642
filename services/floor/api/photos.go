package api

import (
	"bytes"
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"tickover/services/floor/answer"
	"tickover/services/photos"
)

// Photo is a photo that is kept.
type Photo struct {
	SHA256 photos.Hash `json:"sha256" doc:"Its name: put it into the evidence \"photos\" of a step, a space between two" example:"9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"`
}

type photoInput struct {
	RawBody []byte `contentType:"image/jpeg"`
}

type photoOutput struct{ Body Photo }

// photos takes a photo before the command whose evidence names it. The same
// photo again is the same.
func (a *API) photos() {
	op := a.operation(http.MethodPost, "/photos", "keepPhoto", "Keep a photo: a JPEG, PNG or WebP file as the body", "photos")
	op.MaxBodyBytes = photos.BytesMax
	huma.Register(a.routes, op, func(ctx context.Context, in *photoInput) (*photoOutput, error) {
		if a.o.Photos == nil {
			return nil, answer.Unknown("this Tickover keeps no photos", "Record it without one.")
		}
		h, err := a.o.Photos.Put(ctx, bytes.NewReader(in.RawBody))
		if err != nil {
			return nil, a.fail(err)
		}
		return &photoOutput{Photo{h}}, nil
	})
}
