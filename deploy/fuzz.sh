#!/bin/sh
# Runs every fuzz target of the module for the given time each.
set -eu
for file in $(grep -rl --include='*_test.go' '^func Fuzz' .); do
	for target in $(sed -n 's/^func \(Fuzz[A-Za-z0-9_]*\)(.*/\1/p' "$file"); do
		echo "== $target in $(dirname "$file")"
		go test -run '^$' -fuzz "^$target\$" -fuzztime "${1:-20s}" "$(dirname "$file")"
	done
done
