package rig

import (
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// NATS gives a connection to an embedded server of the test's own, with
// JetStream on a temporary folder and every message flushed before its
// acknowledgement, as `wright serve` embeds it.
func NATS(t testing.TB) *nats.Conn {
	t.Helper()
	store := t.TempDir()
	s, err := server.NewServer(&server.Options{
		ServerName: "rig", DontListen: true, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: store, SyncAlways: true,
		JetStreamMaxMemory: 64 << 20, JetStreamMaxStore: 4 << 30,
	})
	if err != nil {
		t.Fatalf("embedded NATS: %v", err)
	}
	go s.Start()
	t.Cleanup(func() {
		s.Shutdown()
		s.WaitForShutdown()
	})
	if !s.ReadyForConnections(30 * time.Second) {
		t.Fatal("embedded NATS: not ready within 30 s")
	}
	nc, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		t.Fatalf("embedded NATS: %v", err)
	}
	t.Cleanup(nc.Close)
	return nc
}
