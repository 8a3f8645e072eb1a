package run

import (
	"context"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
)

// scope names this package in metrics.
const scope = "spindlewright/services/run"

// gauges are what an operator watches; they are read when metrics are asked for.
type gauges struct {
	unpublished, applied, behind, parked, held metric.Int64ObservableGauge
	waiting, ready, busUp, flushes, restarts   metric.Int64ObservableGauge
}

// meter registers the gauges of this process.
func (s *Site) meter() error {
	m := s.watch.Metrics.Meter(scope)
	var g gauges
	var all []metric.Observable
	var failed error
	make := func(to *metric.Int64ObservableGauge, name, what string) {
		v, err := m.Int64ObservableGauge("spindlewright."+name, metric.WithDescription(what))
		if err != nil && failed == nil {
			failed = err
		}
		*to = v
		all = append(all, v)
	}
	make(&g.unpublished, "outbox.unpublished", "events recorded and not yet noted as published")
	make(&g.applied, "inbox.position", "position of a source up to which a service has applied its events")
	make(&g.behind, "inbox.lag", "events of a source that a service has not applied yet; absent when the source does not tell")
	make(&g.parked, "inbox.parked", "events that could not be applied and wait for an operator")
	make(&g.held, "inbox.held", "events that wait for an earlier one of their entity")
	make(&g.waiting, "writer.waiting", "writes that wait for the store's writer")
	make(&g.ready, "ready", "1 when a service's store answers")
	make(&g.busUp, "bus.joined", "1 when a service is joined to the bus")
	make(&g.flushes, "bus.flush_always", "1 when the bus flushes before it acknowledges, 0 when it does not; absent when it does not tell")
	make(&g.restarts, "background.restarts", "times that background work was started again")
	if failed != nil {
		return failed
	}
	_, err := m.RegisterCallback(func(ctx context.Context, o metric.Observer) error {
		ctx, cancel := context.WithTimeout(ctx, readyDeadline)
		defer cancel()
		s.observe(ctx, o, g)
		return nil
	}, all...)
	return err
}

func (s *Site) observe(ctx context.Context, o metric.Observer, g gauges) {
	for _, h := range s.hosted {
		service := metric.WithAttributes(attribute.String("service", h.name))
		o.ObserveInt64(g.waiting, int64(h.store.Pending()), service)
		o.ObserveInt64(g.ready, one(h.storeCheck(ctx).OK), service)
		o.ObserveInt64(g.busUp, one(h.conn.IsConnected()), service)
		if _, unpublished, _, err := h.outbox.State(ctx); err == nil {
			o.ObserveInt64(g.unpublished, unpublished, service)
		}
		s.observeInbox(ctx, o, g, h)
	}
	if s.plan.Bus.Host {
		o.ObserveInt64(g.flushes, 1)
	} else if f := s.flush.state(); f != flushUnseen {
		o.ObserveInt64(g.flushes, one(f == flushAlways))
	}
	for name, w := range s.work.states() {
		o.ObserveInt64(g.restarts, int64(w.restarts), metric.WithAttributes(attribute.String("work", name)))
	}
}

func (s *Site) observeInbox(ctx context.Context, o metric.Observer, g gauges, h *hosted) {
	if h.inbox == nil {
		return
	}
	service := attribute.String("service", h.name)
	if parked, held, err := h.inbox.Counts(ctx); err == nil {
		o.ObserveInt64(g.parked, parked, metric.WithAttributes(service))
		o.ObserveInt64(g.held, held, metric.WithAttributes(service))
	}
	applied, err := h.inbox.Applied(h.store.Reader(ctx))
	if err != nil {
		return
	}
	for _, source := range follows[h.name] {
		both := metric.WithAttributes(service, attribute.String("source", source))
		o.ObserveInt64(g.applied, applied[source], both)
		if end, ok := s.endOf(ctx, h, source); ok {
			o.ObserveInt64(g.behind, max(0, end-applied[source]), both)
		}
	}
}

// endWait bounds the question to a source that runs elsewhere.
const endWait = 500 * time.Millisecond

// endOf is the last position of a source: from its outbox when it runs here,
// else by asking it.
func (s *Site) endOf(ctx context.Context, h *hosted, source string) (int64, bool) {
	for _, other := range s.hosted {
		if other.name == source {
			end, _, _, err := other.outbox.State(ctx)
			return end, err == nil
		}
	}
	ctx, cancel := context.WithTimeout(ctx, endWait)
	defer cancel()
	_, end, _, err := h.archive(ctx, source, endOfArchive, 1)
	return end, err == nil
}

// endOfArchive is beyond any position, so that nothing but the end is answered.
const endOfArchive = 1 << 60

func one(yes bool) int64 {
	if yes {
		return 1
	}
	return 0
}
