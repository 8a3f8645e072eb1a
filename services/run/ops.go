package run

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"
)

// opsDoor is the operator's HTTP listener. It carries no trade data and takes
// no orders, so it asks for no token.
type opsDoor struct {
	server   *http.Server
	listener net.Listener
	done     chan error
}

// opsParts are what the listener shows.
type opsParts struct {
	metrics http.Handler
	// ready looks at every dependency now.
	ready func(ctx context.Context) []check
	jwks  func(ctx context.Context) (string, error)
}

// readyDeadline bounds one look at all dependencies.
const readyDeadline = 2 * time.Second

func openOps(listen string, p opsParts) (*opsDoor, error) {
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return nil, fmt.Errorf("ops_listen: %w", err)
	}
	o := &opsDoor{listener: l, done: make(chan error, 1), server: &http.Server{
		Handler: opsRoutes(p), ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
	}}
	go func() { o.done <- o.server.Serve(l) }()
	return o, nil
}

func opsRoutes(p opsParts) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", p.metrics)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = fmt.Fprintln(w, "ok")
	})
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) { serveReady(w, r, p.ready) })
	mux.HandleFunc("GET /.well-known/jwks.json", func(w http.ResponseWriter, r *http.Request) { serveKeys(w, r, p.jwks) })
	return mux
}

// readiness is the answer of /readyz.
type readiness struct {
	// Ready: commands and queries are answered.
	Ready bool `json:"ready"`
	// Degraded: something is not well that callers do not notice at once.
	Degraded bool    `json:"degraded"`
	Checks   []check `json:"checks"`
}

func judge(checks []check) readiness {
	r := readiness{Ready: true, Checks: checks}
	for _, c := range checks {
		if c.OK {
			continue
		}
		r.Degraded = true
		if c.Required {
			r.Ready = false
		}
	}
	return r
}

func serveReady(w http.ResponseWriter, r *http.Request, look func(context.Context) []check) {
	ctx, cancel := context.WithTimeout(r.Context(), readyDeadline)
	defer cancel()
	answer := judge(look(ctx))
	w.Header().Set("Content-Type", "application/json")
	if !answer.Ready {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	out := json.NewEncoder(w)
	out.SetIndent("", "  ")
	_ = out.Encode(answer)
}

func serveKeys(w http.ResponseWriter, r *http.Request, jwks func(context.Context) (string, error)) {
	ctx, cancel := context.WithTimeout(r.Context(), readyDeadline)
	defer cancel()
	set, err := jwks(ctx)
	if err != nil {
		http.Error(w, "the keys cannot be had now; try again", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "application/jwk-set+json")
	// Shorter than the time for which a key stays valid after rotation.
	w.Header().Set("Cache-Control", "public, max-age=60")
	_, _ = fmt.Fprintln(w, set)
}

func (o *opsDoor) addr() string { return o.listener.Addr().String() }

func (o *opsDoor) close(ctx context.Context) error {
	err := o.server.Shutdown(ctx)
	if err != nil {
		err = errors.Join(err, o.server.Close())
	}
	if e := <-o.done; !errors.Is(e, http.ErrServerClosed) {
		err = errors.Join(err, e)
	}
	return err
}
