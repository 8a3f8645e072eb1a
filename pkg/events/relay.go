package events

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/failpoint"
)

const (
	// relayPoll is the fallback when no commit wakes the relay.
	relayPoll = time.Second
	// relayLinger lets a batch gather once events come in quick succession.
	relayLinger = 3 * time.Millisecond
	// relayMark is how long a mark may wait for the next batch to carry it.
	relayMark = 200 * time.Millisecond
	// relayRows and relayBytes bound one batch.
	relayRows  = 500
	relayBytes = 4 << 20
	backoffMin = 100 * time.Millisecond
	backoffMax = 5 * time.Second
)

// Relay publishes the outbox to JetStream until ctx ends. Only the holder of
// the store's "relay" lease works; others wait for it and pass wakes on to it.
func (o *Outbox) Relay(ctx context.Context, nc *nats.Conn) error {
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(relayRows), jetstream.WithPublishAsyncTimeout(publishTimeout))
	if err != nil {
		return err
	}
	defer js.CleanupPublisher()
	stop := o.meters.watchLag(&o.lag)
	defer stop()
	for ctx.Err() == nil {
		held, lost, release, err := o.store.Lease(ctx, "relay")
		switch {
		case err != nil && ctx.Err() == nil:
			o.warn("the relay's lease cannot be asked for", err)
			pause(ctx, relayPoll)
		case held:
			r := &relay{o: o, nc: nc, js: js}
			r.hold(ctx, lost)
			release()
		default:
			o.passWakes(ctx, nc)
		}
	}
	return nil
}

// passWakes tells the holder of the lease, in another process, of commits
// here, until it is time to ask for the lease again.
func (o *Outbox) passWakes(ctx context.Context, nc *nats.Conn) {
	again := time.NewTimer(relayPoll)
	defer again.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-again.C:
			return
		case <-o.wake:
			// Lost when the bus is away: the holder's poll finds the rows.
			_ = nc.Publish(wakeSubject(o.service), nil)
		}
	}
}

// relay is the work of the lease's holder.
type relay struct {
	o      *Outbox
	nc     *nats.Conn
	js     jetstream.JetStream
	st     state
	cursor int64 // published up to here
	marked int64 // noted up to here
	synced bool  // cursor was compared with the stream
	atomic bool  // the stream takes a batch as one
	away   bool  // the last attempt to publish failed
	last   time.Time
}

func (r *relay) hold(ctx context.Context, lost <-chan struct{}) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-lost:
			cancel()
		case <-ctx.Done():
		}
	}()
	if sub, err := r.nc.Subscribe(wakeSubject(r.o.service), func(*nats.Msg) { r.o.nudge() }); err == nil {
		defer func() { _ = sub.Unsubscribe() }()
	}
	r.work(ctx)
}

func (r *relay) work(ctx context.Context) {
	wait := backoffMin
	force := true
	for ctx.Err() == nil {
		var more bool
		err := safely(func() (err error) {
			more, err = r.pass(ctx, force)
			return err
		})
		switch {
		case ctx.Err() != nil:
		case err != nil:
			r.fail(err)
			pause(ctx, wait)
			wait, force = min(2*wait, backoffMax), true
		default:
			r.recover()
			wait = backoffMin
			force = more || r.rest(ctx)
		}
	}
}

func (r *relay) fail(err error) {
	if !r.away {
		r.o.warn("events wait in the outbox: they cannot be published", err)
	}
	r.away, r.synced = true, false
}

func (r *relay) recover() {
	if r.away && r.o.Log != nil {
		r.o.Log.Info("events are published again", "service", r.o.service)
	}
	r.away = false
}

// rest waits for work and reports whether there is reason to look for new rows
// by a write: a wake, or a mark that has waited long enough.
func (r *relay) rest(ctx context.Context) bool {
	idle := relayPoll
	if r.marked != r.cursor {
		idle = relayMark
	}
	t := time.NewTimer(idle)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return r.marked != r.cursor
	case <-r.o.wake:
		if since := time.Since(r.last); since < relayLinger {
			pause(ctx, relayLinger-since)
		}
		return true
	}
}

// pass notes the last batch, gives positions to new rows and publishes one
// batch of what is not in the stream: however much that is, new rows get their
// positions. more says that work may be left.
func (r *relay) pass(ctx context.Context, force bool) (more bool, err error) {
	if !force {
		if force, err = unpositioned(r.o.store.Reader(ctx)); err != nil {
			return false, err
		}
	}
	if force {
		if more, err = r.advance(ctx); err != nil {
			return false, err
		}
	}
	if !r.synced {
		if err := r.compare(ctx); err != nil {
			return false, err
		}
		r.synced = true
	}
	if r.cursor < r.st.end() {
		err = r.publishNext(ctx)
		r.o.lag.Store(r.st.end() - r.cursor)
	}
	r.last = time.Now()
	return more || r.cursor < r.st.end(), err
}

// advance combines the mark of the last batch with the positions of the next.
func (r *relay) advance(ctx context.Context) (more bool, err error) {
	if err := failpoint.Hit("outbox.before-mark"); err != nil {
		return false, err
	}
	mark := int64(-1)
	if r.synced {
		mark = r.cursor
	}
	epoch := r.st.epoch
	st, given, err := r.o.advance(ctx, mark, relayRows)
	if err != nil {
		return false, err
	}
	r.st = st
	if r.synced {
		r.marked = r.cursor
	}
	if st.epoch != epoch {
		r.synced = false
	}
	return given == relayRows, failpoint.Hit("outbox.after-mark")
}

// publishNext publishes one batch after the cursor.
func (r *relay) publishNext(ctx context.Context) error {
	batch, err := r.o.after(r.o.store.Reader(ctx), r.cursor, r.st, relayRows, relayBytes)
	if err != nil {
		return err
	}
	if len(batch) == 0 || batch[0].Position != r.cursor+1 {
		return errors.New("the outbox has a hole after a position that was given")
	}
	if err := failpoint.Hit("outbox.before-publish"); err != nil {
		return err
	}
	sent, err := r.publish(ctx, batch)
	r.o.meters.published(ctx, sent)
	if err == nil {
		err = failpoint.Hit("outbox.after-publish")
	}
	if err == nil {
		r.cursor += int64(sent)
	}
	return err
}

func (o *Outbox) warn(what string, err error) {
	if o.Log != nil {
		o.Log.Warn(what, "service", o.service, "error", err)
	}
}

// safely turns a panic into an error: what runs in the background is tried
// again and does not take the process with it.
func safely(f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = fmt.Errorf("panic: %v", v)
		}
	}()
	return f()
}

// pause waits, or less when ctx ends.
func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
