package intake_test

import (
	"fmt"
	"strings"

	"tickover/queue/intake"
	"tickover/queue/shopfile"
	"tickover/testdata"
)

func ExampleLoad() {
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		fmt.Println(err)
		return
	}
	batch, errs := intake.Load(strings.NewReader(`ticket;make;model;year;family;ownership;route;promise
LM-1;Kestrow;Brae 250;2026;kr5;new;set-up;2026-02-17 16:30
LM-2;Kestrow;Brae 250;2026;;customer;reflsh;soon
`), shop)
	for _, row := range batch.Rows {
		fmt.Println("line", row.Line, "takes in", row.Unit.Unit)
	}
	fmt.Println(errs)
	// Output:
	// line 2 takes in LM-1
	// line 3, promise: "soon" is no time that can be read without guessing; write it like 2026-02-17 16:30, in the shop's time, or 2026-02-17T16:30Z
	// line 3, route: there is no route "reflsh"; did you mean "reflash"?
}
