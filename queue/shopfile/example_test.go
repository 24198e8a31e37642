package shopfile_test

import (
	"errors"
	"fmt"

	"tickover/queue/shopfile"
	"tickover/testdata"
)

func ExampleParse() {
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(shop.Name, "has", len(shop.Routes), "routes")
	fmt.Println("a flash takes", shop.Operation("flash").Duration(), "of which", shop.Operation("flash").HandsOn(), "are hands-on")
	// Output:
	// Larkmoor Trail & Enduro has 6 routes
	// a flash takes 40m0s of which 12m0s are hands-on
}

func ExampleErrors() {
	_, _, err := shopfile.Parse("my-shop.yaml", []byte("site: larkmoor\nnmae: Larkmoor\n"))
	var problems shopfile.Errors
	if errors.As(err, &problems) {
		p := problems[len(problems)-1]
		fmt.Println(p)
	}
	// Output:
	// my-shop.yaml:2:1: unknown key "nmae" in the shop file
	//      2 | nmae: Larkmoor
	//        | ^
	//          did you mean "name"?
}
