package tickover_test

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var updateLicences = flag.Bool("update-licences", false, "write deploy/licences.csv from the modules' own licence files")

const licencesFile = "deploy/licences.csv"

// licenceTexts are words that only one licence has.
var licenceTexts = []struct{ words, name string }{
	{"Apache License", "Apache-2.0"}, {"Mozilla Public License", "MPL-2.0"}, {"Permission is hereby granted, free of charge", "MIT"},
	{"Permission to use, copy, modify, and/or distribute", "ISC"}, {"Permission to use, copy, modify, and distribute this software for any", "ISC"},
	{"Neither the name of", "BSD-3-Clause"}, {"Redistribution and use in source and binary forms", "BSD-2-Clause"},
}

// TestLicencesAreListed: deploy/licences.csv has each module of go.mod with its
// version and a licence.
func TestLicencesAreListed(t *testing.T) {
	mod, err := os.ReadFile("go.mod")
	if err != nil {
		t.Fatal(err)
	}
	var modules []string // "path version"
	for line := range strings.Lines(string(mod)) {
		f := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "require "))
		if len(f) >= 2 && strings.Contains(f[0], ".") && strings.HasPrefix(f[1], "v") {
			modules = append(modules, f[0]+" "+f[1])
		}
	}
	if len(modules) < 40 {
		t.Fatalf("only %d modules found in go.mod", len(modules))
	}
	slices.Sort(modules)
	if *updateLicences {
		writeLicences(t, modules)
	}
	list, err := os.ReadFile(licencesFile)
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]string{}
	for line := range strings.Lines(string(list)) {
		if f := strings.Split(strings.TrimSpace(line), ","); len(f) == 3 {
			listed[f[0]+" "+f[1]] = f[2]
		}
	}
	for _, m := range modules {
		if l := listed[m]; l == "" || l == "unknown" {
			t.Errorf("%s has no licence in %s (%q); run: make licences", m, licencesFile, l)
		}
	}
	if len(listed) != len(modules)+1 { // and the head
		t.Errorf("%s lists %d modules, go.mod has %d; run: make licences", licencesFile, len(listed)-1, len(modules))
	}
}

func writeLicences(t *testing.T, modules []string) {
	out := "module,version,licence\n"
	for _, m := range modules {
		path, version, _ := strings.Cut(m, " ")
		dir, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", path).Output()
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		out += path + "," + version + "," + licenceIn(strings.TrimSpace(string(dir))) + "\n"
	}
	if err := os.WriteFile(licencesFile, []byte(out), 0o644); err != nil {
		t.Fatal(err)
	}
}

func licenceIn(dir string) string {
	for _, pattern := range []string{"LICENSE*", "LICENCE*", "COPYING*", "License*"} {
		files, _ := filepath.Glob(filepath.Join(dir, pattern))
		for _, file := range files {
			b, err := os.ReadFile(file)
			if err != nil {
				continue
			}
			text := strings.Join(strings.Fields(string(b)), " ")
			for _, l := range licenceTexts {
				if strings.Contains(text, l.words) {
					return l.name
				}
			}
		}
	}
	return "unknown"
}
