package intake

import (
	"io"
	"strconv"
	"time"

	"tickover/queue"
	"tickover/queue/sheet"
)

// WriteExample writes a file to be filled in, which [Load] takes as it is: every
// column, and a line for each of the shop's routes, with a machine of its
// catalogue if there is one. promise is written in its own time zone.
func WriteExample(w io.Writer, st *queue.State, promise time.Time) error {
	m := queue.Machine{Make: "Make", Model: "Model", Year: promise.Year()}
	if all := st.Catalogue().All(); len(all) > 0 {
		c := all[0]
		m = queue.Machine{Make: c.Make, Model: c.Model, Year: c.YearFrom, Family: c.Family}
	}
	rows := [][]string{Columns()}
	for i, r := range st.Shop.Routes {
		rows = append(rows, columns.row(map[string]string{
			colTicket: "EXAMPLE-" + strconv.Itoa(i+1), colMake: m.Make, colModel: m.Model, colYear: strconv.Itoa(m.Year), colFamily: string(m.Family),
			colOwnership: queue.CustomerUnit.String(), colRoute: string(r.ID), colPromise: promise.Format("2006-01-02 15:04"), colWeight: "5",
		}))
	}
	return sheet.Write(w, rows)
}
