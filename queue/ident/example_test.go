package ident_test

import (
	"fmt"

	"tickover/queue/ident"
)

func ExampleClassify() {
	for _, s := range []string{"1m8gdm9a x kp042788", "3FA6P0HR5DR246490", "AB12-1234567"} {
		n := ident.Classify(s)
		fmt.Println(n.Class, n.Text)
		for _, note := range n.Notes {
			fmt.Println("  ", note)
		}
	}
	// Output:
	// vin 1M8GDM9AXKP042788
	//    Model year 1989 or 2019 by position 10 (K); a motorcycle's number does not tell which.
	// vin_check_digit_wrong 3FA6P0HR5DR246490
	//    Position 9 should be 4 by the other sixteen characters, and is 5.
	//    The first character says North America, where the check digit is a duty: compare every character with the frame.
	//    Model year 1983 or 2013 by position 10 (D); a motorcycle's number does not tell which.
	// frame_number AB121234567
	//    11 characters: an older or foreign frame number, or a VIN with some missing. It has no check digit; compare it with the frame.
}
