package events

import (
	"context"
	"sync/atomic"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
	"go.opentelemetry.io/otel/metric/noop"
)

// scope names this package in traces and metrics.
const scope = "spindlewright/pkg/events"

// meters counts what passes. Instruments come from the process's meter
// provider; without one they do nothing.
type meters struct {
	service           attribute.KeyValue
	meter             metric.Meter
	sent              metric.Int64Counter
	applied, dropped  metric.Int64Counter
	parked, heldCount metric.Int64Counter
}

func newMeters(service string) *meters {
	m := &meters{service: attribute.String("service", service), meter: otel.Meter(scope)}
	m.sent = m.counter("events.published", "events that the stream has acknowledged")
	m.applied = m.counter("events.applied", "events folded into derived rows")
	m.dropped = m.counter("events.dropped", "events not applied, by why: seen before, or of an earlier epoch")
	m.parked = m.counter("events.parked", "events that could not be applied")
	m.heldCount = m.counter("events.held", "events that came before an earlier one of their entity")
	return m
}

func (m *meters) counter(name, what string) metric.Int64Counter {
	c, err := m.meter.Int64Counter(name, metric.WithDescription(what))
	if err != nil {
		// Only a name that OpenTelemetry does not allow comes here.
		return noop.Int64Counter{}
	}
	return c
}

func (m *meters) published(ctx context.Context, n int) {
	m.add(ctx, m.sent, n)
}

func (m *meters) folded(ctx context.Context, source string, out outcome) {
	from := attribute.String("source", source)
	m.add(ctx, m.applied, out.applied, from)
	m.add(ctx, m.parked, out.parked, from)
	m.add(ctx, m.heldCount, out.held, from)
	m.drop(ctx, source, out.dropped, "seen before")
}

func (m *meters) drop(ctx context.Context, source string, n int, why string) {
	m.add(ctx, m.dropped, n, attribute.String("source", source), attribute.String("why", why))
}

func (m *meters) add(ctx context.Context, c metric.Int64Counter, n int, more ...attribute.KeyValue) {
	if n > 0 {
		c.Add(ctx, int64(n), metric.WithAttributes(append(more, m.service)...))
	}
}

// watchLag shows how many positioned events are not in the stream yet.
func (m *meters) watchLag(lag *atomic.Int64) (stop func()) {
	return m.watch("events.outbox.lag", "events with a position that are not in the stream yet",
		func(o metric.Observer, g metric.Int64Observable) {
			o.ObserveInt64(g, lag.Load(), metric.WithAttributes(m.service))
		})
}

// watchPositions shows how far each source is applied.
func (m *meters) watchPositions(positions func() map[string]int64) (stop func()) {
	return m.watch("events.inbox.position", "position up to which a source is applied",
		func(o metric.Observer, g metric.Int64Observable) {
			for source, position := range positions() {
				o.ObserveInt64(g, position, metric.WithAttributes(m.service, attribute.String("source", source)))
			}
		})
}

func (m *meters) watch(name, what string, look func(metric.Observer, metric.Int64Observable)) (stop func()) {
	g, err := m.meter.Int64ObservableGauge(name, metric.WithDescription(what))
	if err != nil {
		return func() {}
	}
	reg, err := m.meter.RegisterCallback(func(_ context.Context, o metric.Observer) error {
		look(o, g)
		return nil
	}, g)
	if err != nil {
		return func() {}
	}
	return func() { _ = reg.Unregister() }
}
