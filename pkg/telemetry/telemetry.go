package telemetry

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/contrib/exporters/autoexport"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	otelprometheus "go.opentelemetry.io/otel/exporters/prometheus"
	"go.opentelemetry.io/otel/metric"
	"go.opentelemetry.io/otel/propagation"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"
)

// Config says what is watched and how closely.
type Config struct {
	// Sampling is the share of traces that begin here and are kept, 0 to 1.
	// A trace that a caller began follows the caller's decision.
	Sampling float64
	// Getenv looks up the standard OTEL_* variables. The exporters themselves
	// read the process's environment.
	Getenv func(string) string
	Build  Build
}

// Telemetry is a process's watching.
type Telemetry struct {
	Metrics metric.MeterProvider
	Traces  trace.TracerProvider
	// Propagation is the W3C trace context and baggage.
	Propagation propagation.TextMapPropagator
	// Tracing tells whether spans leave the process.
	Tracing bool

	registry *prometheus.Registry
	stop     []func(context.Context) error
}

// New sets the watching up without installing it.
func New(ctx context.Context, c Config) (*Telemetry, error) {
	t := &Telemetry{
		Propagation: propagation.NewCompositeTextMapPropagator(propagation.TraceContext{}, propagation.Baggage{}),
		Traces:      noop.NewTracerProvider(),
		registry:    prometheus.NewRegistry(),
	}
	about, err := resource.New(ctx, resource.WithAttributes(
		attribute.String("service.name", "spindlewright"),
		attribute.String("service.version", c.Build.Version),
	), resource.WithFromEnv())
	if err != nil {
		return nil, fmt.Errorf("telemetry: %w", err)
	}
	if err := t.metrics(ctx, c, about); err != nil {
		return nil, fmt.Errorf("telemetry: metrics: %w", err)
	}
	if wanted(c.Getenv, "TRACES") {
		if err := t.traces(ctx, c, about); err != nil {
			return nil, errors.Join(fmt.Errorf("telemetry: traces: %w", err), t.Shutdown(ctx))
		}
	}
	return t, nil
}

// Install makes t the process's own, for packages that are instrumented
// through the OpenTelemetry API. The last call wins.
func (t *Telemetry) Install() {
	otel.SetTextMapPropagator(t.Propagation)
	otel.SetMeterProvider(t.Metrics)
	otel.SetTracerProvider(t.Traces)
}

// Handler serves the metrics in Prometheus's text format.
func (t *Telemetry) Handler() http.Handler {
	return promhttp.HandlerFor(t.registry, promhttp.HandlerOpts{})
}

// Shutdown sends what is still held and stops exporting.
func (t *Telemetry) Shutdown(ctx context.Context) error {
	var errs []error
	for _, stop := range t.stop {
		errs = append(errs, stop(ctx))
	}
	t.stop = nil
	return errors.Join(errs...)
}

func (t *Telemetry) metrics(ctx context.Context, c Config, about *resource.Resource) error {
	t.registry.MustRegister(
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		buildInfo(c.Build),
	)
	pull, err := otelprometheus.New(otelprometheus.WithRegisterer(t.registry), otelprometheus.WithoutScopeInfo())
	if err != nil {
		return err
	}
	options := []sdkmetric.Option{sdkmetric.WithResource(about), sdkmetric.WithReader(pull)}
	// Prometheus is always served; another exporter is added when it is named.
	if name := c.Getenv("OTEL_METRICS_EXPORTER"); name == "otlp" || name == "console" {
		push, err := autoexport.NewMetricReader(ctx)
		if err != nil {
			return err
		}
		options = append(options, sdkmetric.WithReader(push))
	}
	p := sdkmetric.NewMeterProvider(options...)
	t.Metrics, t.stop = p, append(t.stop, p.Shutdown)
	return nil
}

func (t *Telemetry) traces(ctx context.Context, c Config, about *resource.Resource) error {
	exporter, err := autoexport.NewSpanExporter(ctx)
	if err != nil {
		return err
	}
	p := sdktrace.NewTracerProvider(
		sdktrace.WithBatcher(exporter),
		sdktrace.WithResource(about),
		sdktrace.WithSampler(sdktrace.ParentBased(sdktrace.TraceIDRatioBased(c.Sampling))),
	)
	t.Traces, t.Tracing, t.stop = p, true, append(t.stop, p.Shutdown)
	return nil
}

// wanted tells whether the standard variables ask for a signal: an exporter
// is named, or a collector's address is given.
func wanted(getenv func(string) string, signal string) bool {
	switch getenv("OTEL_" + signal + "_EXPORTER") {
	case "none":
		return false
	case "":
		return getenv("OTEL_EXPORTER_OTLP_ENDPOINT") != "" || getenv("OTEL_EXPORTER_OTLP_"+signal+"_ENDPOINT") != ""
	default:
		return getenv("OTEL_SDK_DISABLED") != "true"
	}
}

func buildInfo(b Build) prometheus.Collector {
	g := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "spindlewright_build_info", Help: "Always 1; the labels say which software this is.",
		ConstLabels: prometheus.Labels{"version": b.Version, "commit": b.Commit, "go": b.Go},
	})
	g.Set(1)
	return g
}
