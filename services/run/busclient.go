package run

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// joinBus connects a service. It returns at once, whether or not a server is
// there: the client goes on trying for good, and readiness tells meanwhile.
func joinBus(service string, s Settings, hosted *bus, internalKey []byte, log *slog.Logger) (*nats.Conn, error) {
	log = log.With("service", service)
	options := []nats.Option{
		nats.Name("spindlewright " + service),
		nats.CustomInboxPrefix(inboxPrefix(service)),
		nats.RetryOnFailedConnect(true),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(500 * time.Millisecond),
		nats.ReconnectJitter(250*time.Millisecond, time.Second),
		// An expired or not yet known credential must not end the trying.
		nats.IgnoreAuthErrorAbort(),
		// What cannot be sent now fails now; the outbox keeps it.
		nats.ReconnectBufSize(-1),
		nats.Timeout(3 * time.Second),
		nats.PingInterval(10 * time.Second),
		nats.MaxPingsOutstanding(2),
		nats.ConnectHandler(func(c *nats.Conn) { log.Debug("joined the bus", "server", c.ConnectedUrlRedacted()) }),
		nats.ReconnectHandler(func(c *nats.Conn) { log.Info("joined the bus again", "server", c.ConnectedUrlRedacted()) }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn("the bus is away; events wait in the outbox", "error", err)
			}
		}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { log.Warn("bus", "error", err) }),
	}
	target := s.NATSURL
	if hosted != nil {
		target = ""
		options = append(options, nats.InProcessServer(hosted.server))
	}
	if hosted != nil || ownUser(s) {
		options = append(options, nats.UserInfo(service, busPassword(internalKey, service)))
	}
	if s.NATSCreds != "" {
		options = append(options, nats.UserCredentials(s.NATSCreds))
	}
	if s.NATSCA != "" {
		options = append(options, nats.RootCAs(s.NATSCA))
	}
	if s.NATSCert != "" {
		options = append(options, nats.ClientCert(s.NATSCert, s.NATSKey))
	}
	nc, err := nats.Connect(target, options...)
	if err != nil {
		return nil, fmt.Errorf("nats_url: %w", err)
	}
	return nc, nil
}

// ownUser tells whether to sign in as the service's user of an embedded bus
// in another process of this machine: nothing else is configured.
func ownUser(s Settings) bool {
	if s.NATSCreds != "" || s.NATSURL == "" {
		return false
	}
	for _, one := range strings.Split(s.NATSURL, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err != nil || u.User != nil || !loopbackHost(u.Hostname()) {
			return false
		}
	}
	return true
}

// flushing is what is known of how a NATS server flushes to disk.
type flushing int32

const (
	flushUnseen flushing = iota
	flushAlways
	flushLater
)

// flushWatch looks whether an external server acknowledges before it flushes.
type flushWatch struct {
	seen atomic.Int32
	log  *slog.Logger
}

func (w *flushWatch) state() flushing { return flushing(w.seen.Load()) }

const flushLookEvery = 5 * time.Minute

// run looks after each connect and from time to time.
func (w *flushWatch) run(ctx context.Context, nc *nats.Conn) error {
	status := nc.StatusChanged(nats.CONNECTED)
	defer nc.RemoveStatusListener(status)
	tick := time.NewTicker(flushLookEvery)
	defer tick.Stop()
	for {
		w.look(ctx, nc)
		select {
		case <-ctx.Done():
			return nil
		case <-status:
		case <-tick.C:
		}
	}
}

func (w *flushWatch) look(ctx context.Context, nc *nats.Conn) {
	if !nc.IsConnected() {
		return
	}
	now, err := askFlushing(ctx, nc)
	if err != nil {
		// Most users may not ask; that is no fault.
		w.log.Debug("the NATS server does not tell how it flushes", "error", err)
	}
	if before := flushing(w.seen.Swap(int32(now))); now == flushLater && before != flushLater {
		w.log.Warn("the NATS server flushes some time after it acknowledges: a power cut there loses events, which are then rebuilt from the outboxes; set sync_interval: always to avoid that")
	}
}

// askFlushing asks the server, which answers users of its system account only.
func askFlushing(ctx context.Context, nc *nats.Conn) (flushing, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	answer, err := nc.RequestWithContext(ctx, "$SYS.REQ.SERVER.PING.JSZ", nil)
	if err != nil {
		return flushUnseen, err
	}
	var told struct {
		Data *struct {
			Config server.JetStreamConfig `json:"config"`
		} `json:"data"`
	}
	if err := json.Unmarshal(answer.Data, &told); err != nil {
		return flushUnseen, err
	}
	if told.Data == nil {
		return flushUnseen, errors.New("no data in the answer")
	}
	if told.Data.Config.SyncAlways {
		return flushAlways, nil
	}
	return flushLater, nil
}
