package run

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"path/filepath"
	"time"

	"go.opentelemetry.io/otel/trace"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/pkg/upkeep"
)

// parts are what a service is built from.
type parts struct {
	*hosted
	plan        Arrangement
	settings    Settings
	folder      string
	revocations *access.Revocations
	dial        dial
	clock       clock.Clock
	ids         clock.IDs
	log         *slog.Logger
}

// builder is how one service is built: its row of the service table.
type builder struct {
	// contract is the full name of its gRPC service.
	contract   string
	migrations db.Migrations
	// build makes the service from its parts; close lets go of what build opened.
	build func(ctx context.Context, p parts) (s service, close func() error, err error)
}

// startService opens a service's store, joins the bus, builds and registers it.
func (s *Site) startService(ctx context.Context, name string) (func(context.Context) error, error) {
	b, ok := s.table[name]
	if !ok {
		return nil, errors.New("this program does not have the service")
	}
	h := &hosted{name: name, contract: b.contract}
	undo := h.close
	p, err := s.prepare(ctx, h, b)
	if err != nil {
		return nil, errors.Join(err, undo(ctx))
	}
	if h.service, h.closeService, err = b.build(ctx, p); err != nil {
		return nil, errors.Join(err, undo(ctx))
	}
	s.addInbox(h, p)
	h.service.Register(s.door.server)
	s.hosted = append(s.hosted, h)
	return undo, nil
}

func (s *Site) prepare(ctx context.Context, h *hosted, b builder) (parts, error) {
	c, set := s.config, s.config.Settings
	log := c.Log.With("service", h.name)
	var tracer trace.TracerProvider
	if s.watch.Tracing {
		tracer = s.watch.Traces
	}
	var err error
	h.store, err = db.Open(ctx, db.Config{Service: h.name, URL: set.SQLURL, Folder: s.plan.Folders[h.name], Tracer: tracer,
		Migrations: migrationsOf(b)})
	if err != nil {
		return parts{}, err
	}
	if h.conn, err = joinBus(h.name, set, s.bus, s.busKey, c.Log); err != nil {
		return parts{}, err
	}
	h.outbox = events.NewOutbox(h.store, h.name, c.IDs)
	h.outbox.Log, h.outbox.Replicas = log, set.NATSReplicas
	h.commands = &command.Runner{Store: h.store, Clock: c.Clock}
	h.audit = access.NewAudit(h.store, c.Clock)
	h.revocations = access.NewRevocations(h.store, c.Clock)
	if err := h.revocations.Load(ctx); err != nil {
		return parts{}, err
	}
	dial := s.dialer.as(s.internal.Caller(h.name, c.Clock, c.IDs))
	h.archive = upkeep.ArchiveOver(dial)
	return parts{hosted: h, plan: s.plan, settings: set, folder: s.plan.Folders[h.name], revocations: h.revocations,
		dial: dial, clock: c.Clock, ids: c.IDs, log: log}, nil
}

// addInbox follows what the service follows, and people for revocations.
// Access writes its own revocations in the transaction that makes them.
func (s *Site) addInbox(h *hosted, p parts) {
	var follow []events.Follower
	if h.name != moduleAccess {
		follow = append(follow, p.revocations)
	}
	if own := h.service.Follower(); own != nil {
		follow = append(follow, own)
	}
	if len(follow) == 0 {
		return
	}
	h.inbox = events.NewInbox(events.InboxConfig{
		Store: h.store, Service: h.name, Clock: p.clock, Log: p.log,
		Archive: h.archive, Follow: events.Combine(follow...), Applied: appliedOf(h.service),
	})
}

// appliedOf is the service's wish to be told of commits of its inbox.
func appliedOf(s service) func(map[string]int64) {
	if a, ok := s.(interface{ Applied(map[string]int64) }); ok {
		return a.Applied
	}
	return nil
}

// startWork starts the background work of every service.
func (s *Site) startWork(context.Context) (func(context.Context) error, error) {
	for _, h := range s.hosted {
		log := s.log.With("service", h.name)
		s.work.run(h.name+" relay", func(ctx context.Context) error { return h.outbox.Relay(ctx, h.conn) })
		if h.inbox != nil {
			s.work.run(h.name+" inbox", func(ctx context.Context) error { return h.inbox.Run(ctx, h.conn) })
		}
		s.work.run(h.name+" service", h.service.Run)
		s.work.run(h.name+" audit", func(ctx context.Context) error { return h.audit.Run(ctx, log) })
		s.work.run(h.name+" revocations", func(ctx context.Context) error { return h.revocations.Run(ctx, log) })
		s.work.run(h.name+" answers", func(ctx context.Context) error { return s.sweep(ctx, h) })
	}
	if len(s.hosted) > 0 {
		s.work.run("health", s.watchHealth)
		if s.bus == nil {
			s.work.run("flush watch", func(ctx context.Context) error { return s.flush.run(ctx, s.hosted[0].conn) })
		}
	}
	return s.work.stop, nil
}

// sweep drops kept answers that are too old.
func (s *Site) sweep(ctx context.Context, h *hosted) error {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if _, err := h.commands.Sweep(ctx); err != nil {
				return err
			}
		}
	}
}

// newGuard checks callers' tokens: those of people against the issuer's
// published keys, those of services against the installation's own key.
func (s *Site) newGuard() *access.Guard {
	c := s.config
	audits := map[string]*access.Audit{}
	var revocations []*access.Revocations
	var first *access.Audit
	for _, h := range s.hosted {
		audits[h.contract] = h.audit
		revocations = append(revocations, h.revocations)
		if first == nil {
			first = h.audit
		}
	}
	keys := access.NewKeySet(s.fetchKeys, clock.System())
	return access.NewGuard(access.GuardConfig{
		Verifier:    access.ByIssuer(access.NewIssuer(c.Settings.Issuer, keys, c.Clock), s.internal.Issuer(c.Clock)),
		Revocations: revocations,
		Audit: func(method string) *access.Audit {
			if a, ok := audits[contractOf(method)]; ok {
				return a
			}
			return first
		},
		Clock: c.Clock,
	})
}

// contractOf is the service part of "/package.Service/Method".
func contractOf(method string) string { return filepath.Dir(method)[1:] }

// fetchKeys gets the key set that verifies people's tokens.
func (s *Site) fetchKeys(ctx context.Context) ([]byte, error) {
	if s.plan.JWKSURL != "" {
		// Keys are fetched every few minutes: a connection kept open for it
		// would only outlive the process's other work.
		client := &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true, Proxy: http.ProxyFromEnvironment}}
		fetch, err := access.FetchURL(client, s.plan.JWKSURL)
		if err != nil {
			return nil, err
		}
		return fetch(ctx)
	}
	set, err := s.builtInKeys(ctx)
	return []byte(set), err
}

func (s *Site) builtInKeys(ctx context.Context) (string, error) {
	cc, ok := s.dialer.conns[moduleAccess]
	if !ok {
		return "", fmt.Errorf("service %s is not part of this installation", moduleAccess)
	}
	got, err := accessv1.NewAccessServiceClient(cc).GetJwks(ctx, &accessv1.GetJwksRequest{})
	return got.GetJwks(), err
}

// jwks is what /.well-known/jwks.json shows: the keys that verify tokens here.
func (s *Site) jwks(ctx context.Context) (string, error) {
	set, err := s.fetchKeys(ctx)
	return string(set), err
}
