package rig

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// natsConfig is a JetStream server as deploy/ runs it: every message is
// flushed before it is acknowledged.
const natsConfig = `listen: %q
server_name: rig
jetstream {
  store_dir: %q
  sync_interval: always
  max_memory_store: 64MB
  max_file_store: 4GB
}
`

// NATSServer runs a NATS server as a process of its own, built from the module
// at go.mod's version, with JetStream on a folder that outlives Kill and
// Restart.
func NATSServer(t testing.TB) *Server {
	t.Helper()
	path := mustBuild(t, "nats-server", "", "github.com/nats-io/nats-server/v2")
	dir := t.TempDir()
	s, address, err := launchOnFreePort(func(address string) Program {
		config := filepath.Join(dir, "nats.conf")
		text := fmt.Sprintf(natsConfig, address, filepath.Join(dir, "store"))
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return Program{Path: path, Args: []string{"-c", config}, Dir: dir,
			Ready: func() error { return natsReady("nats://" + address) }}
	})
	if err != nil {
		t.Fatalf("NATS server: %v", err)
	}
	s.stopAfter(t)
	s.URL = "nats://" + address
	return s
}

// natsReady connects and asks JetStream, which comes up after the listener.
func natsReady(url string) error {
	nc, err := nats.Connect(url, nats.NoReconnect(), nats.Timeout(2*time.Second))
	if err != nil {
		return err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	_, err = js.AccountInfo(ctx)
	return err
}
