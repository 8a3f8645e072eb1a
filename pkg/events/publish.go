package events

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// atomicFrom is the size from which an atomic batch, one flush for all, is
// quicker than as many single messages: measured break-even at about 12.
const atomicFrom = 12

// publishTimeout is how long an acknowledgement may take.
const publishTimeout = 10 * time.Second

// publish sends a batch in order, as one where the stream allows it.
func (r *relay) publish(ctx context.Context, batch []Event) (sent int, err error) {
	ctx, span := producerSpan(ctx, batch)
	defer span.End()
	if r.atomic && len(batch) >= atomicFrom {
		err := publishAtomic(ctx, r.nc, streamName(r.o.service), batch)
		var refused *jetstream.APIError
		if !errors.As(err, &refused) {
			if err != nil {
				return 0, err
			}
			return len(batch), nil
		}
		// A batch is refused as a whole: for a message that the stream has
		// already, for room it lacks, or because it takes no batches. Singly,
		// what can be published is.
	}
	return publishSingly(ctx, r.js, streamName(r.o.service), batch)
}

// publishAtomic sends all of the batch or nothing (JetStream's atomic batch
// publishing, from server 2.12 on). An *APIError says that nothing was stored.
func publishAtomic(ctx context.Context, nc *nats.Conn, stream string, batch []Event) error {
	ctx, cancel := context.WithTimeout(ctx, publishTimeout)
	defer cancel()
	id := batch[0].ID
	for n, e := range batch {
		m := message(e)
		m.Header.Set(jetstream.ExpectedStreamHeader, stream)
		m.Header.Set("Nats-Batch-Id", id)
		m.Header.Set("Nats-Batch-Sequence", strconv.Itoa(n+1))
		if n < len(batch)-1 {
			if err := nc.PublishMsg(m); err != nil {
				return fmt.Errorf("publish event %s: %w", e.ID, err)
			}
			continue
		}
		m.Header.Set("Nats-Batch-Commit", "1")
		answer, err := nc.RequestMsgWithContext(ctx, m)
		if err != nil {
			return fmt.Errorf("publish %d events from %s on: %w", len(batch), id, err)
		}
		return batchAnswer(answer.Data, len(batch))
	}
	return nil
}

// batchAnswer reads the acknowledgement of a batch.
func batchAnswer(data []byte, size int) error {
	var ack struct {
		Error *jetstream.APIError `json:"error"`
		Count int                 `json:"count"`
	}
	if err := json.Unmarshal(data, &ack); err != nil {
		return fmt.Errorf("read the acknowledgement of a batch: %w", err)
	}
	if ack.Error != nil {
		return ack.Error
	}
	if ack.Count != size {
		return fmt.Errorf("the stream took %d of a batch of %d", ack.Count, size)
	}
	return nil
}

// publishSingly sends a batch in order and waits for every acknowledgement.
// sent is how many from the start are in the stream for certain.
func publishSingly(ctx context.Context, js jetstream.JetStream, stream string, batch []Event) (sent int, err error) {
	acks := make([]jetstream.PubAckFuture, 0, len(batch))
	var refused error
	for _, e := range batch {
		// No retries inside the client: they would change the order.
		f, err := js.PublishMsgAsync(message(e), jetstream.WithExpectStream(stream), jetstream.WithRetryAttempts(0))
		if refused = err; err != nil {
			break
		}
		acks = append(acks, f)
	}
	for _, f := range acks {
		select {
		case <-f.Ok():
			sent++
		case err := <-f.Err():
			return sent, fmt.Errorf("publish event %s: %w", batch[sent].ID, err)
		case <-ctx.Done():
			return sent, ctx.Err()
		}
	}
	if refused != nil {
		return sent, fmt.Errorf("publish event %s: %w", batch[sent].ID, refused)
	}
	return sent, nil
}
