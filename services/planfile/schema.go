package planfile

import _ "embed" // the schema

// Schema is the JSON Schema (draft 2020-12) of the plan as JSON.
//
//go:embed plan.schema.json
var Schema []byte
