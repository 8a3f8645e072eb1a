package events

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/db"
)

const (
	// retention is how long a stream keeps events; the archive keeps them all.
	retention = 30 * 24 * time.Hour
	// duplicates is how long the stream knows message ids.
	duplicates = 2 * time.Hour
)

// openStream finds the stream of a source or creates it. One that exists is
// left as its operator has set it.
func openStream(ctx context.Context, js jetstream.JetStream, source string, replicas int) (jetstream.Stream, error) {
	s, err := js.Stream(ctx, streamName(source))
	if !errors.Is(err, jetstream.ErrStreamNotFound) {
		return s, err
	}
	return js.CreateStream(ctx, jetstream.StreamConfig{
		Name:        streamName(source),
		Description: "events of " + source + ", rebuilt from its outbox when lost",
		Subjects:    []string{fmt.Sprintf(streamSubjects, source)},
		Storage:     jetstream.FileStorage,
		Retention:   jetstream.LimitsPolicy,
		Discard:     jetstream.DiscardNew,
		MaxAge:      retention,
		Duplicates:  duplicates,

		AllowAtomicPublish: true,
		Replicas:           max(1, replicas),
	})
}

// compare sets the cursor from what the stream really holds: marks may be
// ahead of a stream that was lost and behind one whose relay died before it
// marked.
func (r *relay) compare(ctx context.Context) error {
	s, err := openStream(ctx, r.js, r.o.service, r.o.Replicas)
	if err != nil {
		return fmt.Errorf("open stream %s: %w", streamName(r.o.service), err)
	}
	info, err := s.Info(ctx)
	if err != nil {
		return err
	}
	r.atomic = info.Config.AllowAtomicPublish
	switch {
	case info.State.Msgs > 0:
		return r.compareLast(ctx, s, info.State.LastSeq)
	case info.State.LastSeq > 0:
		// Everything has aged out or was purged; followers that missed it read
		// the archive.
		r.cursor, r.marked = r.st.published, r.st.published
		return nil
	default:
		return r.fromRetention(ctx)
	}
}

// compareLast compares the stream's last message with the archive.
func (r *relay) compareLast(ctx context.Context, s jetstream.Stream, seq uint64) error {
	m, err := s.GetMsg(ctx, seq)
	if err != nil {
		return fmt.Errorf("read the end of stream %s: %w", streamName(r.o.service), err)
	}
	last, err := fromMessage(m.Subject, m.Header, m.Data)
	if err != nil {
		return fmt.Errorf("the end of stream %s is not an event of ours: %w", streamName(r.o.service), err)
	}
	if last.Epoch < r.st.epoch {
		return r.recreate(ctx)
	}
	known, err := r.isOurs(ctx, last)
	if err != nil {
		return err
	}
	if !known {
		return r.restored(ctx, last)
	}
	r.cursor, r.marked = last.Position, r.st.published
	return nil
}

// isOurs reports whether the archive holds the stream's last event where the
// stream says.
func (r *relay) isOurs(ctx context.Context, last Event) (bool, error) {
	if last.Epoch > r.st.epoch || last.Position > r.st.end() {
		return false, nil
	}
	found, err := r.o.after(r.o.store.Reader(ctx), last.Position-1, r.st, 1, 0)
	if err != nil {
		return false, err
	}
	return len(found) == 1 && found[0].ID == last.ID, nil
}

// restored begins a new epoch: the stream knows events that the store does
// not, as after a restore from a backup. Without it, new events would take the
// places of lost ones and followers would not notice.
func (r *relay) restored(ctx context.Context, last Event) error {
	err := r.o.store.Write(ctx, func(tx *db.Tx) error {
		epoch, err := r.o.raiseEpoch(tx, last.Epoch)
		if err != nil {
			return err
		}
		r.st.epoch, r.st.published = epoch, 0
		return nil
	})
	if err != nil {
		return err
	}
	if r.o.Log != nil {
		r.o.Log.Error("the stream is ahead of the store, which looks restored from a backup: a new epoch begins and followers fold the archive again",
			"service", r.o.service, "epoch", r.st.epoch, "stream_position", last.Position, "archive_end", r.st.end())
	}
	return r.recreate(ctx)
}

// recreate replaces a stream of an earlier epoch. Purging would keep its
// message ids and refuse the same events under the new epoch.
func (r *relay) recreate(ctx context.Context) error {
	err := r.js.DeleteStream(ctx, streamName(r.o.service))
	if err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("replace stream %s: %w", streamName(r.o.service), err)
	}
	if _, err := openStream(ctx, r.js, r.o.service, r.o.Replicas); err != nil {
		return fmt.Errorf("replace stream %s: %w", streamName(r.o.service), err)
	}
	return r.fromRetention(ctx)
}

// fromRetention sets the cursor for an empty stream: before the oldest event
// that a stream would still keep, counted from the newest one.
func (r *relay) fromRetention(ctx context.Context) error {
	q := r.o.store.Reader(ctx)
	// A later position may bear an earlier time (clocks of two replicas), so
	// the start is after the last event that is too old.
	err := q.QueryRow(`SELECT COALESCE(max(position), 0) FROM outbox WHERE position < $1
		AND recorded_us < (SELECT COALESCE(max(recorded_us), 0) FROM outbox) - $2`,
		r.st.next, retention.Microseconds()).Scan(&r.cursor)
	if err != nil {
		return fmt.Errorf("find the oldest event to publish: %w", err)
	}
	r.marked = r.st.published
	return nil
}
