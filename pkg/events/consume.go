package events

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/failpoint"
)

const (
	// batchEvents and batchBytes bound what one commit applies and what is
	// fetched ahead of it.
	batchEvents = 300
	batchBytes  = 4 << 20
)

// run follows the source until ctx ends.
func (s *source) run(ctx context.Context, nc *nats.Conn) {
	js, err := jetstream.New(nc)
	if err != nil {
		s.warn("the bus cannot be used", err)
		return
	}
	s.heldUntil = 2
	for wait := backoffMin; ctx.Err() == nil; {
		began := time.Now()
		err := safely(func() error { return s.session(ctx, js) })
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			continue
		}
		s.warn("events of a source are not followed for now", err)
		if time.Since(began) > backoffMax {
			wait = backoffMin
		}
		pause(ctx, wait)
		wait = min(2*wait, backoffMax)
	}
}

// session follows the source as long as its stream and consumer stay.
func (s *source) session(ctx context.Context, js jetstream.JetStream) error {
	err := s.gated(ctx, func() error {
		follows, err := s.load(ctx)
		if err != nil {
			return err
		}
		return s.backfill(ctx, follows)
	})
	if err != nil {
		return err
	}
	consumer, err := s.openConsumer(ctx, js)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		// Its relay has not begun yet, or the stream was lost: the archive has
		// what there is.
		err = s.ask(ctx)
		pause(ctx, s.in.pace.missing)
		return err
	}
	if err != nil {
		return errors.Join(err, s.ask(ctx))
	}
	return s.consume(ctx, consumer)
}

// openConsumer opens the durable consumer of (service, source). It takes every
// subject of the source, followed or not: only so a gap in the positions shows
// that something is missing.
func (s *source) openConsumer(ctx context.Context, js jetstream.JetStream) (jetstream.Consumer, error) {
	ctx, cancel := context.WithTimeout(ctx, backoffMax)
	defer cancel()
	return js.CreateOrUpdateConsumer(ctx, streamName(s.name), jetstream.ConsumerConfig{
		Durable:       s.in.c.Service,
		Description:   s.in.c.Service + " follows " + s.name,
		AckPolicy:     jetstream.AckAllPolicy,
		AckWait:       30 * time.Second,
		MaxAckPending: 4 * batchEvents,
		DeliverPolicy: jetstream.DeliverAllPolicy,
	})
}

func (s *source) consume(ctx context.Context, consumer jetstream.Consumer) error {
	msgs := make(chan jetstream.Msg, batchEvents)
	trouble := make(chan struct{}, 1)
	stop := make(chan struct{})
	c, err := consumer.Consume(
		func(m jetstream.Msg) {
			select {
			case msgs <- m:
			case <-stop:
			}
		},
		jetstream.PullMaxMessagesWithBytesLimit(batchEvents, batchBytes),
		jetstream.PullHeartbeat(5*time.Second),
		jetstream.ConsumeErrHandler(func(jetstream.ConsumeContext, error) {
			select {
			case trouble <- struct{}{}:
			default:
			}
		}))
	if err != nil {
		return err
	}
	defer func() {
		close(stop)
		c.Stop()
		<-c.Closed()
	}()
	return s.pump(ctx, consumer, c.Closed(), trouble, msgs)
}

// pump applies what comes until something ends it.
func (s *source) pump(ctx context.Context, consumer jetstream.Consumer, closed <-chan struct{}, trouble <-chan struct{}, msgs <-chan jetstream.Msg) error {
	quiet := time.NewTimer(s.in.pace.first)
	defer quiet.Stop()
	held := time.NewTicker(s.in.pace.held)
	defer held.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-closed:
			return errors.New("the consumer was deleted or the connection is gone")
		case <-trouble:
			if err := gone(ctx, consumer); err != nil {
				return err
			}
		case m := <-msgs:
			if err := s.take(ctx, s.gather(ctx, m, msgs)); err != nil {
				return err
			}
			quiet.Reset(s.in.pace.quiet)
		case <-quiet.C:
			if err := gone(ctx, consumer); err != nil {
				return err
			}
			s.askQuietly(ctx)
			quiet.Reset(s.in.pace.quiet)
		case <-s.in.kicks[s.name]:
			s.askQuietly(ctx)
		case <-held.C:
			if err := s.lookForHeld(ctx); err != nil {
				s.warn("held events wait", err)
			}
		}
	}
}

// askQuietly asks the archive; when it does not answer, the stream goes on.
func (s *source) askQuietly(ctx context.Context) {
	if err := s.ask(ctx); err != nil && ctx.Err() == nil {
		s.warn("the archive of a source cannot be read", err)
	}
}

// gone reports whether the consumer does not exist any more.
func gone(ctx context.Context, consumer jetstream.Consumer) error {
	ctx, cancel := context.WithTimeout(ctx, backoffMax)
	defer cancel()
	_, err := consumer.Info(ctx)
	if errors.Is(err, jetstream.ErrConsumerNotFound) || errors.Is(err, jetstream.ErrStreamNotFound) || errors.Is(err, jetstream.ErrConsumerDoesNotExist) {
		return err
	}
	return nil
}

// gather adds to the first message what is there already. Shortly after a
// commit it waits for more, so that a steady stream is applied in batches.
func (s *source) gather(ctx context.Context, first jetstream.Msg, msgs <-chan jetstream.Msg) []jetstream.Msg {
	batch := []jetstream.Msg{first}
	size := len(first.Data())
	var more <-chan time.Time
	if wait := s.in.pace.gather - time.Since(s.committed); wait > 0 {
		t := time.NewTimer(wait)
		defer t.Stop()
		more = t.C
	}
	for len(batch) < batchEvents && size < batchBytes {
		select {
		case m := <-msgs:
			batch, size = append(batch, m), size+len(m.Data())
			continue
		default:
		}
		if more == nil {
			break
		}
		select {
		case m := <-msgs:
			batch, size = append(batch, m), size+len(m.Data())
		case <-more:
			return batch
		case <-ctx.Done():
			return batch
		}
	}
	return batch
}

// take applies messages and acknowledges them once they are committed.
func (s *source) take(ctx context.Context, msgs []jetstream.Msg) error {
	batch := make([]Event, 0, len(msgs))
	var last jetstream.Msg
	var lastSeq uint64
	for _, m := range msgs {
		if meta, err := m.Metadata(); err == nil && meta.Sequence.Stream >= lastSeq {
			last, lastSeq = m, meta.Sequence.Stream
		}
		e, err := fromMessage(m.Subject(), m.Headers(), m.Data())
		if err != nil || e.Source != s.name {
			s.warn("a message that is not an event is left out", err)
			s.drop(ctx, 1, "not an event")
			continue
		}
		batch = append(batch, e)
	}
	if err := s.apply(ctx, batch); err != nil {
		return err
	}
	if err := failpoint.Hit("inbox.before-ack"); err != nil {
		return err
	}
	if last == nil {
		return nil
	}
	// All messages up to the highest sequence: what lies before it was applied
	// from the stream or from the archive, or the position were not there.
	return last.Ack()
}

// apply tries until it succeeds: messages are kept in hand meanwhile.
func (s *source) apply(ctx context.Context, batch []Event) error {
	for wait := backoffMin; ; wait = min(2*wait, backoffMax) {
		err := s.gated(ctx, func() error { return s.advance(ctx, batch) })
		if err == nil {
			s.failing = ""
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		s.warn("events wait to be applied", err)
		pause(ctx, wait)
	}
}
