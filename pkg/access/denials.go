package access

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"spindlewright/pkg/db"
)

const (
	// denialKinds is how many different denials are held at once.
	denialKinds = 512
	// denialWindow is how long repeats of one denial are counted before the
	// count is written.
	denialWindow = time.Minute
	// denialPause is how often waiting denials are written.
	denialPause = 250 * time.Millisecond
)

// denials holds refused calls until they are written. Equal ones within a
// window become one entry and one count, so that a flood of refused calls
// costs two rows a minute for each kind of call, and never waits for a store.
type denials struct {
	mu      sync.Mutex
	kinds   map[denialKey]*denial
	dropped int64
}

type denialKey struct{ principal, tenant, method, subject, detail string }

type denial struct {
	first    Entry
	written  bool
	repeats  int64
	openedAt time.Time // by the machine's clock, which only paces the writes
}

func newDenials() denials { return denials{kinds: map[denialKey]*denial{}} }

// Deny notes a refused call. It never blocks: the entry is written by Run.
func (a *Audit) Deny(e Entry) {
	if e.At.IsZero() {
		e.At = a.clock.Now()
	}
	e.What = WhatDenied
	k := denialKey{e.PrincipalID, e.Tenant, e.Method, e.Subject, e.Detail}
	a.denials.mu.Lock()
	defer a.denials.mu.Unlock()
	if d, ok := a.denials.kinds[k]; ok {
		d.repeats++
		return
	}
	if len(a.denials.kinds) >= denialKinds {
		a.denials.dropped++
		return
	}
	a.denials.kinds[k] = &denial{first: e, openedAt: time.Now()}
}

// take gives the entries that are due, and forgets windows that are over. all
// closes every window.
func (d *denials) take(now time.Time, all bool) []Entry {
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []Entry
	for k, kind := range d.kinds {
		if !kind.written {
			kind.written = true
			out = append(out, kind.first)
		}
		if !all && now.Sub(kind.openedAt) < denialWindow {
			continue
		}
		if kind.repeats > 0 {
			e := kind.first
			e.Detail = fmt.Sprintf("%s (and %d more times)", e.Detail, kind.repeats)
			out = append(out, e)
		}
		delete(d.kinds, k)
	}
	if d.dropped > 0 {
		out = append(out, Entry{What: WhatDropped, Detail: fmt.Sprintf("%d denials of more than %d kinds at once", d.dropped, denialKinds)})
		d.dropped = 0
	}
	return out
}

// Run writes denials until ctx ends, and then what is left.
func (a *Audit) Run(ctx context.Context, log *slog.Logger) error {
	tick := time.NewTicker(denialPause)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
			defer cancel()
			return a.Flush(last)
		case now := <-tick.C:
			a.writeDenials(ctx, a.denials.take(now, false), log)
		}
	}
}

// Flush writes every denial noted so far, with the counts of repeats.
func (a *Audit) Flush(ctx context.Context) error {
	return a.writeEntries(ctx, a.denials.take(time.Now(), true))
}

func (a *Audit) writeDenials(ctx context.Context, entries []Entry, log *slog.Logger) {
	if err := a.writeEntries(ctx, entries); err != nil {
		// The denials themselves go to the log: nothing retries them, since
		// a store that is away must not make memory grow.
		for _, e := range entries {
			log.ErrorContext(ctx, "denial not audited", "principal", e.PrincipalID, "method", e.Method, "detail", e.Detail, "error", err)
		}
	}
}

func (a *Audit) writeEntries(ctx context.Context, entries []Entry) error {
	const chunk = 100
	for len(entries) > 0 {
		n := min(chunk, len(entries))
		part := entries[:n]
		if err := a.store.Write(ctx, func(tx *db.Tx) error { return a.write(tx, part) }); err != nil {
			return err
		}
		entries = entries[n:]
	}
	return nil
}
