package events

import (
	"context"
	"strings"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
)

// producerSpan links the batch to the commands that are traced.
func producerSpan(ctx context.Context, batch []Event) (context.Context, trace.Span) {
	links := traceLinks(batch)
	if len(links) == 0 {
		return ctx, trace.SpanFromContext(context.Background())
	}
	return otel.Tracer(scope).Start(ctx, "publish events", trace.WithSpanKind(trace.SpanKindProducer), trace.WithLinks(links...))
}

// traceLinks gives the sampled traces among the events.
func traceLinks(batch []Event) []trace.Link {
	var links []trace.Link
	for _, e := range batch {
		// The last field of a traceparent is its flags; 01 is sampled.
		if !strings.HasSuffix(e.Traceparent, "-01") {
			continue
		}
		c := propagation.TraceContext{}.Extract(context.Background(), propagation.MapCarrier{"traceparent": e.Traceparent})
		if sc := trace.SpanContextFromContext(c); sc.IsValid() {
			links = append(links, trace.Link{SpanContext: sc})
		}
	}
	return links
}

// consumerSpan links the commit to the commands that are traced.
func consumerSpan(ctx context.Context, batch []Event) (context.Context, trace.Span) {
	links := traceLinks(batch)
	if len(links) == 0 {
		return ctx, trace.SpanFromContext(context.Background())
	}
	return otel.Tracer(scope).Start(ctx, "apply events", trace.WithSpanKind(trace.SpanKindConsumer), trace.WithLinks(links...))
}
