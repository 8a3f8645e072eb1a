package rig_test

import (
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/rig"
)

func TestNATSKeepsMessages(t *testing.T) {
	js, err := jetstream.New(rig.NATS(t))
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "S", Subjects: []string{"s.>"}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(t.Context(), "s.a", []byte("x")); err != nil {
		t.Fatal(err)
	}
	info, err := stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if info.State.Msgs != 1 || info.Config.Storage != jetstream.FileStorage {
		t.Errorf("stream holds %d messages in %v storage, want 1 in file storage", info.State.Msgs, info.Config.Storage)
	}
}
