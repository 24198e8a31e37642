package node_test

import (
	"context"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/shopfile"
	"tickover/services/node"
	"tickover/testdata"
)

// TestASiteKeepsItsShop: a shop file makes a site that has no shop. What was
// changed since stays, also when a dispatcher is started with the file of then
// or with another one; its log says so.
func TestASiteKeepsItsShop(t *testing.T) {
	srv, err := log.Open(t.Context(), log.Options{Dir: filepath.Join(t.TempDir(), "log")})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Close()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	// begin starts a dispatcher with a file, lets do see the site, and stops it.
	begin := func(file node.ShopFile, do func(*node.Site)) *observer.ObservedLogs {
		t.Helper()
		nc, err := srv.Connect()
		if err != nil {
			t.Fatal(err)
		}
		defer nc.Close()
		core, logs := observer.New(zap.WarnLevel)
		n, err := node.New(node.Options{Roles: node.Dispatch | node.Floor, Shops: []node.ShopFile{file}, Log: srv, Conn: nc, Replicas: 1, Now: time.Now, Logger: zap.New(core),
			Pages: func(context.Context, *node.Site, *errgroup.Group) (http.Handler, error) {
				return http.NotFoundHandler(), nil
			}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done, begun := make(chan error, 1), make(chan struct{})
		go func() { done <- n.Run(ctx, func() { close(begun) }) }()
		<-begun
		s, err := n.Site(t.Context(), shop.Site)
		if err != nil {
			t.Fatal(err)
		}
		do(s)
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		return logs
	}
	first := node.ShopFile{Shop: shop, Hash: hash}
	changed := *shop
	changed.Name = "Larkmoor"
	begin(first, func(s *node.Site) {
		if s.Ledger.View().ShopFile != hash {
			t.Error("the file is not in effect at a site without a shop")
		}
		if _, err := s.Ledger.Do(t.Context(), queue.Command{ID: "page", At: time.Now(), Action: &queue.ConfigureShop{Shop: changed, FileHash: "page", Was: hash}}); err != nil {
			t.Fatal(err)
		}
	})
	for what, file := range map[string]node.ShopFile{"the file of then": first, "another file": {Shop: shop, Hash: "other"}} {
		logs := begin(file, func(s *node.Site) {
			if st := s.Ledger.View(); st.ShopFile != "page" || st.Shop.Name != "Larkmoor" {
				t.Errorf("%s is put over what was changed", what)
			}
		})
		if logs.FilterMessageSnippet("tickover shop put").Len() != 1 {
			t.Errorf("%s is passed over in silence", what)
		}
	}
}
