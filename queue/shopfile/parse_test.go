package shopfile

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tickover/queue"
	"tickover/testdata"
)

var sameShop = cmpopts.IgnoreUnexported(queue.Shop{})

func TestDemoShopParsesAndRoundTrips(t *testing.T) {
	shop, hash, err := Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	if hash != queue.HashOf(testdata.Larkmoor) {
		t.Error("the hash is not that of the file's bytes")
	}
	out, err := Write(shop)
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Logf("%s", out)
	again, _, err := Parse("again", out)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(shop, again, sameShop); diff != "" {
		t.Error(diff)
	}
}
