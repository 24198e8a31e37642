package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/services/almanac"
)

// shopFileBytesMax bounds what is read of a shop file.
const shopFileBytesMax = 1 << 20

type checkCmd struct {
	File string `arg:"" help:"The shop file; - for standard input."`
	JSON bool   `help:"Print the problems as a JSON array."`
}

func (c *checkCmd) Run(io streams) error {
	shop, _, err := readShop(c.File)
	var problems shopfile.Errors
	switch {
	case errors.As(err, &problems) && c.JSON:
		if err := json.NewEncoder(io.out).Encode(problems); err != nil {
			return err
		}
		return errSaid
	case errors.As(err, &problems):
		fmt.Fprintln(io.out, problems.Error())
		return errSaid
	case err != nil:
		return err
	case c.JSON:
		_, err = fmt.Fprintln(io.out, "[]")
	default:
		_, err = fmt.Fprintf(io.out, "%s: in order. %s has %d resources, %d technicians, %d operations, %d routes and %d calibrations.\n",
			c.File, shop.Name, len(shop.Resources), len(shop.Technicians), len(shop.Operations), len(shop.Routes), len(shop.Calibrations))
	}
	return err
}

// readShop reads and checks a shop file.
func readShop(name string) (*queue.Shop, queue.Hash, error) {
	var src io.Reader = os.Stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, "", fmt.Errorf("shop file: %w", err)
		}
		defer f.Close()
		src = f
	}
	b, err := io.ReadAll(io.LimitReader(src, shopFileBytesMax+1))
	if err != nil {
		return nil, "", fmt.Errorf("shop file %s: %w", name, err)
	}
	return parseShop(name, b)
}

func parseShop(name string, b []byte) (*queue.Shop, queue.Hash, error) {
	shop, hash, err := shopfile.Parse(name, b)
	if err != nil {
		return nil, "", err
	}
	if _, err := almanac.New(shop); err != nil {
		return nil, "", fmt.Errorf("shop file %s: %w", name, err)
	}
	return shop, hash, nil
}
