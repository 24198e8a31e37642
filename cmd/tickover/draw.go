package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"tickover/queue/sheet"
	"tickover/services/plot"
)

// drawFigure writes a figure into a file of the kind that its name says.
func drawFigure(name string, f *plot.Figure) error {
	var write func(io.Writer) error
	switch strings.ToLower(filepath.Ext(name)) {
	case ".svg":
		write = func(w io.Writer) error { return f.SVG(w, plot.File, "plot") }
	case ".png":
		write = f.PNG
	case ".csv":
		write = func(w io.Writer) error { return sheet.Write(w, f.Rows()) }
	default:
		return fmt.Errorf("picture %q: the name has to end in .svg, .png or .csv", name)
	}
	file, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("picture: %w", err)
	}
	return errors.Join(write(file), file.Close())
}
