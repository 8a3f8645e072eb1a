package run

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"spindlewright/pkg/db"
)

// deepChecks are for an operator who asks: they cost a few questions to the
// store and the bus.
func (h *hosted) deepChecks(ctx context.Context) []check {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	list := []check{h.durableCheck(ctx), h.migrationCheck(ctx)}
	if h.store.Engine() == db.PostgreSQL {
		list = append(list, h.storeClockCheck(ctx))
	}
	if h.conn.IsConnected() {
		list = append(list, h.streamChecks(ctx)...)
	}
	return list
}

func (h *hosted) durableCheck(ctx context.Context) check {
	c := check{Name: "store flushes before it answers"}
	f, err := h.store.Describe(ctx)
	switch {
	case err != nil:
		c.Detail = "cannot be read: " + firstLine(err.Error())
	case !f.Durable:
		c.Detail = fmt.Sprintf("%s %s, %s: an acknowledged command may be lost in a power cut; set fsync and synchronous_commit on", f.Engine, f.Version, f.Sync)
	default:
		c.OK, c.Detail = true, fmt.Sprintf("%s %s, %s, %d kB at %s", f.Engine, f.Version, f.Sync, f.Bytes>>10, f.Where)
	}
	return c
}

func (h *hosted) migrationCheck(ctx context.Context) check {
	c := check{Name: "migrations"}
	versions, err := h.store.Versions(ctx)
	if err != nil {
		c.Detail = "cannot be read: " + firstLine(err.Error())
		return c
	}
	return judgeVersions(c, versions)
}

func judgeVersions(c check, versions []db.Version) check {
	c.OK = true
	var parts []string
	for _, v := range versions {
		switch {
		case v.Applied > v.Known:
			c.OK = false
			parts = append(parts, fmt.Sprintf("%s is at %d and this program knows %d: the store is newer, run the newer program", v.Set, v.Applied, v.Known))
		case v.Applied < v.Known:
			c.OK = false
			parts = append(parts, fmt.Sprintf("%s is at %d of %d: start the service once to migrate", v.Set, v.Applied, v.Known))
		default:
			parts = append(parts, fmt.Sprintf("%s %d", v.Set, v.Applied))
		}
	}
	c.Detail = strings.Join(parts, ", ")
	return c
}

// mostSkew is how far two machines' clocks may differ. Nothing is ordered by
// them, but people compare recorded times, and tokens have a leeway of 30 s.
const mostSkew = 2 * time.Second

func (h *hosted) storeClockCheck(ctx context.Context) check {
	var us int64
	asked := time.Now()
	err := h.store.Reader(ctx).QueryRow(`SELECT CAST(EXTRACT(EPOCH FROM clock_timestamp()) * 1000000 AS BIGINT)`).Scan(&us)
	if err != nil {
		return check{Name: "clock against PostgreSQL", Detail: "cannot be read: " + firstLine(err.Error())}
	}
	return judgeSkew("clock against PostgreSQL", time.UnixMicro(us), asked, time.Now())
}

// judgeSkew compares another clock, read between asked and answered.
func judgeSkew(name string, theirs, asked, answered time.Time) check {
	c := check{Name: name, OK: true}
	var skew time.Duration
	switch {
	case theirs.Before(asked):
		skew = asked.Sub(theirs)
	case theirs.After(answered):
		skew = theirs.Sub(answered)
	}
	c.Detail = fmt.Sprintf("differs by at least %v", skew.Round(time.Millisecond))
	if skew > mostSkew {
		c.OK = false
		c.Detail += "; let both machines follow the same time server"
	}
	return c
}

// streamChecks compare the service's stream with its archive, and the bus's
// clock with ours.
func (h *hosted) streamChecks(ctx context.Context) []check {
	c := check{Name: "stream against outbox"}
	js, err := jetstream.New(h.conn)
	if err != nil {
		c.Detail = firstLine(err.Error())
		return []check{c}
	}
	asked := time.Now()
	stream, err := js.Stream(ctx, "SW_"+strings.ToUpper(h.name))
	answered := time.Now()
	end, unpublished, epoch, stateErr := h.outbox.State(ctx)
	switch {
	case stateErr != nil:
		c.Detail = "outbox cannot be read: " + firstLine(stateErr.Error())
	case errors.Is(err, jetstream.ErrStreamNotFound):
		c.OK, c.Detail = end == 0, "no stream yet"
		if !c.OK {
			c.Detail = fmt.Sprintf("no stream, and %d events recorded; the relay makes it, see its state", end)
		}
	case err != nil:
		c.Detail = "stream cannot be read: " + firstLine(err.Error())
	default:
		info := stream.CachedInfo()
		position, streamEpoch := lastOf(ctx, stream, info.State.LastSeq)
		return []check{judgeStream(c, end, unpublished, epoch, position, streamEpoch, info.State.Msgs),
			judgeSkew("clock against the bus", info.TimeStamp, asked, answered)}
	}
	return []check{c}
}

// lastOf reads position and epoch of the stream's last event.
func lastOf(ctx context.Context, stream jetstream.Stream, seq uint64) (position, epoch int64) {
	if seq == 0 {
		return 0, 0
	}
	m, err := stream.GetMsg(ctx, seq)
	if err != nil {
		return 0, 0
	}
	position, _ = strconv.ParseInt(m.Header.Get("sw-position"), 10, 64)
	epoch, _ = strconv.ParseInt(m.Header.Get("sw-epoch"), 10, 64)
	return position, epoch
}

func judgeStream(c check, end, unpublished, epoch, position, streamEpoch int64, messages uint64) check {
	c.Detail = fmt.Sprintf("outbox ends at %d (%d unpublished, epoch %d), stream at %d with %d events (epoch %d)",
		end, unpublished, epoch, position, messages, streamEpoch)
	switch {
	case messages == 0 || streamEpoch < epoch:
		c.OK = true
	case streamEpoch > epoch || position > end:
		c.Detail += "; the stream knows more than the store, which looks restored from a backup: wright epoch, then wright replay of each follower"
	default:
		c.OK = true
	}
	return c
}
