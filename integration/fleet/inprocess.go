package fleet

import (
	"context"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"spindlewright/integration/scenario"
	"spindlewright/services/run"
)

// Inside is an installation that runs whole in the test's own process.
type Inside struct {
	scenario.Site
	// Addr is the gRPC listener's address, Data the data folder.
	Addr, Data string
	// Close stops it before the test's end does.
	Close func()
}

// StartInside starts everything in this process, on SQLite, or on PostgreSQL
// when sqlURL names one.
func StartInside(t testing.TB, sqlURL string) *Inside {
	t.Helper()
	c := run.ForTest(t.TempDir())
	c.Settings.SQLURL = sqlURL
	site, err := run.Start(context.WithoutCancel(t.Context()), c)
	if err != nil {
		t.Fatal(err)
	}
	stop := sync.OnceFunc(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := site.Close(ctx); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	t.Cleanup(stop)
	token, err := os.ReadFile(site.OperatorTokenFile())
	if err != nil {
		t.Fatal(err)
	}
	cc, err := site.Dial("intake")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cc.Close() })
	return &Inside{
		Site: scenario.Site{Conn: func(string) grpc.ClientConnInterface { return cc }, OperatorToken: strings.TrimSpace(string(token))},
		Addr: site.GRPCAddr(), Data: c.Settings.Data, Close: stop,
	}
}
