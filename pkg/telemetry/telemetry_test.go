package telemetry_test

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"

	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"spindlewright/pkg/telemetry"
)

func none(string) string { return "" }

func TestMetricsAreServedAndNothingIsTracedByDefault(t *testing.T) {
	tel, err := telemetry.New(t.Context(), telemetry.Config{Getenv: none, Build: telemetry.Build{Version: "v0.0.1", Commit: "abc"}})
	if err != nil {
		t.Fatal(err)
	}
	if tel.Tracing {
		t.Error("traces are on without any OTEL variable")
	}
	counter, err := tel.Metrics.Meter("test").Int64Counter("orders.received")
	if err != nil {
		t.Fatal(err)
	}
	counter.Add(t.Context(), 3)
	answer := httptest.NewRecorder()
	tel.Handler().ServeHTTP(answer, httptest.NewRequest("GET", "/metrics", nil))
	for _, want := range []string{"orders_received_total 3", `spindlewright_build_info{commit="abc",go="",version="v0.0.1"} 1`, "go_goroutines"} {
		if !strings.Contains(answer.Body.String(), want) {
			t.Errorf("/metrics lacks %q", want)
		}
	}
	if err := tel.Shutdown(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestTwoInOneProcessDoNotMix(t *testing.T) {
	for range 2 {
		tel, err := telemetry.New(t.Context(), telemetry.Config{Getenv: none})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = tel.Shutdown(context.Background()) }()
	}
}

func TestTracesFollowTheStandardVariables(t *testing.T) {
	for _, c := range []struct {
		name string
		env  map[string]string
		want bool
	}{
		{"nothing", nil, false},
		{"none", map[string]string{"OTEL_TRACES_EXPORTER": "none", "OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:1"}, false},
		{"console", map[string]string{"OTEL_TRACES_EXPORTER": "console"}, true},
		{"a collector's address", map[string]string{"OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:1"}, true},
		{"disabled", map[string]string{"OTEL_TRACES_EXPORTER": "otlp", "OTEL_SDK_DISABLED": "true"}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			for k, v := range c.env {
				t.Setenv(k, v)
			}
			tel, err := telemetry.New(t.Context(), telemetry.Config{Getenv: func(k string) string { return c.env[k] }})
			if err != nil {
				t.Fatal(err)
			}
			if tel.Tracing != c.want {
				t.Errorf("tracing = %v, want %v", tel.Tracing, c.want)
			}
			if err := tel.Shutdown(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestSamplingFollowsTheParent(t *testing.T) {
	t.Setenv("OTEL_TRACES_EXPORTER", "console")
	tel, err := telemetry.New(t.Context(), telemetry.Config{Sampling: 0, Getenv: func(k string) string {
		if k == "OTEL_TRACES_EXPORTER" {
			return "console"
		}
		return ""
	}})
	if err != nil {
		t.Fatal(err)
	}
	_, own := tel.Traces.Tracer("test").Start(t.Context(), "own")
	if own.SpanContext().IsSampled() {
		t.Error("a trace that begins here is kept at share 0")
	}
	// The example header of the W3C recommendation "Trace Context", section 3.2.
	header := propagation.MapCarrier{"traceparent": "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"}
	parent := tel.Propagation.Extract(t.Context(), header)
	_, kept := tel.Traces.Tracer("test").Start(parent, "callers")
	if !kept.SpanContext().IsSampled() {
		t.Error("a caller's sampled trace is dropped")
	}
	// Never ended, so that the console exporter stays silent.
	if err := tel.Shutdown(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestLogCarriesTraceIDs(t *testing.T) {
	var out bytes.Buffer
	log := telemetry.NewLog(telemetry.LogConfig{Out: &out, Level: "warn", Format: "json"})
	id, err := trace.TraceIDFromHex("4bf92f3577b34da6a3ce929d0e0e4736")
	if err != nil {
		t.Fatal(err)
	}
	ctx := trace.ContextWithSpanContext(t.Context(), trace.NewSpanContext(trace.SpanContextConfig{TraceID: id, SpanID: trace.SpanID{1}}))
	log.InfoContext(ctx, "below the level")
	log.With("shop", "RIV").WarnContext(ctx, "late")
	var line map[string]any
	if err := json.Unmarshal(out.Bytes(), &line); err != nil {
		t.Fatalf("not one JSON line: %v\n%s", err, out.String())
	}
	if line["trace_id"] != id.String() || line["shop"] != "RIV" || line["msg"] != "late" {
		t.Errorf("line = %v", line)
	}
}

func TestLogFormat(t *testing.T) {
	for _, c := range []struct {
		format   string
		terminal bool
		json     bool
	}{{"auto", true, false}, {"auto", false, true}, {"text", false, false}, {"json", true, true}} {
		var out bytes.Buffer
		telemetry.NewLog(telemetry.LogConfig{Out: &out, Format: c.format, Terminal: c.terminal}).Info("x")
		if got := json.Valid(out.Bytes()); got != c.json {
			t.Errorf("%s on terminal %v: json %v, want %v", c.format, c.terminal, got, c.json)
		}
	}
}
