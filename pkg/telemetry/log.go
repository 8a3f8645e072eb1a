package telemetry

import (
	"context"
	"io"
	"log/slog"

	"go.opentelemetry.io/otel/trace"
)

// LogConfig says how a process speaks.
type LogConfig struct {
	Out io.Writer
	// Level is debug, info, warn or error; anything else means info.
	Level string
	// Format is text, json or auto: text on a terminal, else json.
	Format   string
	Terminal bool
}

// NewLog makes a log whose lines carry the ids of the trace they were written in.
func NewLog(c LogConfig) *slog.Logger {
	var level slog.Level
	if level.UnmarshalText([]byte(c.Level)) != nil {
		level = slog.LevelInfo
	}
	options := &slog.HandlerOptions{Level: level}
	if c.Format == "text" || c.Format != "json" && c.Terminal {
		return slog.New(traced{slog.NewTextHandler(c.Out, options)})
	}
	return slog.New(traced{slog.NewJSONHandler(c.Out, options)})
}

// traced adds trace_id and span_id, named as OpenTelemetry names them in logs
// that are not its own.
type traced struct{ slog.Handler }

func (t traced) Handle(ctx context.Context, r slog.Record) error {
	if s := trace.SpanContextFromContext(ctx); s.IsValid() {
		r = r.Clone()
		r.AddAttrs(slog.String("trace_id", s.TraceID().String()), slog.String("span_id", s.SpanID().String()))
	}
	return t.Handler.Handle(ctx, r)
}

func (t traced) WithAttrs(attrs []slog.Attr) slog.Handler { return traced{t.Handler.WithAttrs(attrs)} }

func (t traced) WithGroup(name string) slog.Handler { return traced{t.Handler.WithGroup(name)} }
