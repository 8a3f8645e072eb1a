package rig_test

import (
	"context"
	"errors"
	"net"
	"net/url"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"gocloud.dev/blob"
	_ "gocloud.dev/blob/s3blob" // s3:// URLs

	"spindlewright/pkg/rig"
)

// socketFolder is the folder of the server's Unix socket.
func socketFolder(t *testing.T, databaseURL string) string {
	t.Helper()
	u, err := url.Parse(databaseURL)
	if err != nil {
		t.Fatal(err)
	}
	return u.Query().Get("host")
}

func open(t *testing.T, url string) jetstream.JetStream {
	t.Helper()
	nc, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

func TestNATSServerKeepsMessagesThroughKill(t *testing.T) {
	s := rig.NATSServer(t)
	js := open(t, s.URL)
	if _, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "S", Subjects: []string{"s.>"}}); err != nil {
		t.Fatal(err)
	}
	const messages = 20
	for range messages {
		if _, err := js.Publish(t.Context(), "s.a", []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	before := s.PID()
	if err := errors.Join(s.Kill(), s.Restart()); err != nil {
		t.Fatal(err)
	}
	if s.PID() == before {
		t.Error("the same process runs after Kill and Restart")
	}
	stream, err := open(t, s.URL).Stream(t.Context(), "S")
	if err != nil {
		t.Fatal(err)
	}
	if got := stream.CachedInfo().State.Msgs; got != messages {
		t.Errorf("%d messages after a kill, want all %d", got, messages)
	}
}

func TestServerStopsAndComesBackOnItsAddress(t *testing.T) {
	s := rig.NATSServer(t)
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	if _, err := nats.Connect(s.URL, nats.NoReconnect(), nats.Timeout(time.Second)); err == nil {
		t.Fatal("a stopped server still answers")
	}
	if err := s.Restart(); err != nil {
		t.Fatal(err)
	}
	open(t, s.URL)
	if info, err := os.Stat(s.Log()); err != nil || info.Size() == 0 {
		t.Errorf("no log at %s: %v", s.Log(), err)
	}
}

func TestS3KeepsObjects(t *testing.T) {
	ctx := t.Context()
	first, second := openBucket(t, rig.S3(t)), openBucket(t, rig.S3(t))
	if err := first.WriteAll(ctx, "shop/trace", []byte("runout"), nil); err != nil {
		t.Fatal(err)
	}
	got, err := first.ReadAll(ctx, "shop/trace")
	if err != nil || string(got) != "runout" {
		t.Errorf("read %q, %v", got, err)
	}
	if there, err := second.Exists(ctx, "shop/trace"); there || err != nil {
		t.Errorf("another test's bucket holds the object: %v, %v", there, err)
	}
}

func openBucket(t *testing.T, url string) *blob.Bucket {
	t.Helper()
	bucket, err := blob.OpenBucket(context.WithoutCancel(t.Context()), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = bucket.Close() })
	return bucket
}

func TestAddressIsBelowThePortsOfClients(t *testing.T) {
	for range 50 {
		host, port, err := net.SplitHostPort(rig.Address(t))
		if err != nil {
			t.Fatal(err)
		}
		if n, err := strconv.Atoi(port); err != nil || n < 15000 || n > 32767 || host != "127.0.0.1" {
			t.Fatalf("address %s:%s is not loopback below the ephemeral ports", host, port)
		}
	}
}
