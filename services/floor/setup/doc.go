// Package setup turns what a person types about a shop into the shop file, and
// a shop file back into what the form shows.
//
// What is guaranteed:
//
//  1. A section of the file whose fields are unchanged stays byte for byte as
//     it was, comments and blank lines included; in a changed section so does
//     each item that is unchanged.
//  2. What is typed goes into the file as YAML nodes, never as text, so that no
//     name can break the file; package shopfile judges the result, and its
//     problems are told with the section and the item that they are of.
//  3. An id that stands in the file never changes, and what a unit in the shop
//     still uses can't be taken out.
//  4. [Disk] replaces the file only if it still is the one that the form was
//     made from, as a whole or not at all, and keeps the one before.
//
// The package knows no HTTP and shows nothing. It does not edit calibrations,
// daylight, objective, limits and evidence: those are kept as they stand.
package setup
