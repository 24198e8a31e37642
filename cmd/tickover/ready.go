package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// readyCmd asks a running process whether it can work: for a container's
// health check, which has no other program at hand.
type readyCmd struct {
	Probe string `help:"The address that serve got with --probe." required:""`
}

func (c *readyCmd) Run(ctx context.Context, out streams) error {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+c.Probe+"/readyz", nil)
	if err != nil {
		return err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("no answer at %s: %w", c.Probe, err)
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, 1000))
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("not ready: %s", strings.TrimSpace(string(text)))
	}
	_, err = fmt.Fprint(out.out, string(text))
	return err
}
