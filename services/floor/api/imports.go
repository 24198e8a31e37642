package api

// Importer checks units in from a CSV file.
type Importer interface{}

func (a *API) imports() {}
