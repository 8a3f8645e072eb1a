package deploy

import (
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const limit = 30 * time.Second

// serveNATS runs nats.conf as it is, but for the port, the folder and no
// monitoring.
func serveNATS(t *testing.T) *server.Server {
	t.Helper()
	for _, service := range []string{"ACCESS", "INTAKE", "RELIABILITY"} {
		t.Setenv(service+"_PASSWORD", strings.ToLower(service)+"-secret")
	}
	store := t.TempDir()
	o, err := server.ProcessConfigFile("nats.conf")
	if err != nil {
		t.Fatal(err)
	}
	if !o.SyncAlways {
		t.Error("nats.conf does not flush each message before acknowledging it")
	}
	o.Host, o.Port, o.HTTPPort, o.StoreDir, o.NoSigs, o.NoLog = "127.0.0.1", server.RANDOM_PORT, 0, store, true, true
	s, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	go s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(limit) {
		t.Fatal("not ready")
	}
	return s
}

// as connects as a service; refused collects what the server forbids it.
func as(t *testing.T, s *server.Server, service string) (nc *nats.Conn, refused chan error) {
	t.Helper()
	refused = make(chan error, 16)
	nc, err := nats.Connect(s.ClientURL(), nats.UserInfo(service, service+"-secret"), nats.CustomInboxPrefix("_INBOX_"+service),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { refused <- err }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc, refused
}

func TestNATSUsersPublishTheirOwnEventsOnly(t *testing.T) {
	s := serveNATS(t)
	for _, c := range []struct {
		user, subject string
		ok            bool
	}{
		{"intake", "spindlewright.v1.network.intake.spindle.registered", true},
		{"intake", "spindlewright.v1.network.access.person.recorded", false},
		{"access", "spindlewright.v1.network.access.person.recorded", true},
		{"access", "spindlewright.v1.network.intake.spindle.registered", false},
		{"reliability", "spindlewright.v1.network.intake.spindle.registered", false},
		{"reliability", "somewhere.else", false},
		{"intake", "spindlewright.wake.intake", true},
		{"reliability", "spindlewright.wake.intake", false},
		{"intake", "$JS.API.STREAM.DELETE.SW_ACCESS", false},
		{"intake", "$JS.API.STREAM.CREATE.SW_ACCESS", false},
		{"intake", "$JS.API.STREAM.PURGE.SW_ACCESS", false},
		{"intake", "$JS.API.CONSUMER.MSG.NEXT.SW_ACCESS.reliability", false},
		{"intake", "$SYS.REQ.SERVER.PING", false},
	} {
		t.Run(c.user+" "+c.subject, func(t *testing.T) {
			nc, refused := as(t, s, c.user)
			if err := nc.Publish(c.subject, []byte("{}")); err != nil {
				t.Fatal(err)
			}
			if err := nc.FlushTimeout(limit); err != nil {
				t.Fatal(err)
			}
			// The refusal comes before the answer to the flush's ping, but the
			// client hands it to its callback on another goroutine.
			err := nc.LastError()
			if c.ok != (err == nil) {
				t.Errorf("publishing gave %v, want allowed = %v", err, c.ok)
			}
			if !c.ok {
				if err := <-refused; !strings.Contains(err.Error(), "permissions violation") {
					t.Errorf("refused for another reason: %v", err)
				}
			}
		})
	}
	if _, err := nats.Connect(s.ClientURL()); err == nil {
		t.Error("a connection without a user is accepted")
	}
}

func TestNATSUsersCanDoTheirWork(t *testing.T) {
	s := serveNATS(t)
	intake, _ := as(t, s, "intake")
	js, err := jetstream.New(intake)
	if err != nil {
		t.Fatal(err)
	}
	config := jetstream.StreamConfig{Name: "SW_INTAKE", Subjects: []string{"spindlewright.v1.*.intake.>"}}
	for range 2 { // the second finds it and updates it
		if _, err := js.CreateOrUpdateStream(t.Context(), config); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := js.Publish(t.Context(), "spindlewright.v1.network.intake.spindle.registered", []byte("event")); err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(t.Context(), "SW_INTAKE")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.GetMsg(t.Context(), 1); err != nil {
		t.Errorf("the relay cannot read its stream's end: %v", err)
	}

	follower, _ := as(t, s, "reliability")
	js, err = jetstream.New(follower)
	if err != nil {
		t.Fatal(err)
	}
	consumer, err := js.CreateOrUpdateConsumer(t.Context(), "SW_INTAKE", jetstream.ConsumerConfig{Durable: "reliability"})
	if err != nil {
		t.Fatal(err)
	}
	message, err := consumer.Next(jetstream.FetchMaxWait(limit))
	if err != nil {
		t.Fatal(err)
	}
	if err := message.DoubleAck(t.Context()); err != nil || string(message.Data()) != "event" {
		t.Errorf("got %q, %v", message.Data(), err)
	}
}
