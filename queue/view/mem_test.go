package view_test

import (
	"testing"

	"tickover/queue/view"
	"tickover/queue/view/viewtest"
)

func TestMem(t *testing.T) {
	viewtest.Run(t, func(*testing.T) viewtest.Fixture { return viewtest.Fixture{Store: &view.Mem{}} })
}
