package main

import (
	"context"
	"errors"
	"io"
	"sync"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/services/wright/history"
)

// chunkRows is how many rows one call carries at most; intake takes no more.
const chunkRows = 500

// chunksWaiting is how many chunks of a shop may wait while one is on its way.
// More would only be memory: a shop's chunks go one after the other, because a
// row may correct one that came before.
const chunksWaiting = 1

// importSum counts the rows of an import.
type importSum struct{ Accepted, Known, Refused int64 }

func (s importSum) rows() int64 { return s.Accepted + s.Known + s.Refused }

// importHooks hear what happens during an import, one call at a time.
type importHooks struct {
	// refused is told of every row that is left out.
	refused func(*history.RowError) error
	// sent is told how many rows were answered for.
	sent func(rows int)
}

// importHistory reads a history file and sends it, shop by shop in the order of
// the file, several shops at once. It can be called again with the same file.
func importHistory(ctx context.Context, cc grpc.ClientConnInterface, in io.Reader, hooks importHooks) (importSum, error) {
	reader, err := history.NewReader(in)
	if err != nil {
		return importSum{}, err
	}
	shops, err := importShops(ctx, cc)
	if err != nil {
		return importSum{}, err
	}
	group, ctx := errgroup.WithContext(ctx)
	r := &importRun{
		client: intakev1.NewIntakeServiceClient(cc), shops: shops, hooks: hooks, run: uuid.New(),
		group: group, lanes: map[string]*lane{},
	}
	group.Go(func() error { return r.read(ctx, reader) })
	err = group.Wait()
	return r.sum, err
}

// importRun is one import under way.
type importRun struct {
	client intakev1.IntakeServiceClient
	shops  map[string]importShop
	// run goes into every request id: a repeated call of this run is answered
	// from its first answer, a later run hears which rows are known.
	run   uuid.UUID
	group *errgroup.Group
	lanes map[string]*lane

	mu    sync.Mutex
	hooks importHooks
	sum   importSum
}

// lane carries the chunks of one shop in order.
type lane struct {
	shop importShop
	next []importRow
	out  chan []importRow
}

// importRow keeps a row as read beside what is sent, for the rejects file.
type importRow struct {
	read *history.Row
	sent *intakev1.HistoryRow
}

// read deals the rows out to their shops' lanes.
func (r *importRun) read(ctx context.Context, reader *history.Reader) error {
	defer func() {
		for _, l := range r.lanes {
			close(l.out)
		}
	}()
	for {
		row, err := reader.Next()
		var refused *history.RowError
		switch {
		case errors.Is(err, io.EOF):
			return r.flush(ctx)
		case errors.As(err, &refused):
			err = r.refuse(refused)
		case err == nil:
			err = r.deal(ctx, row)
		}
		if err != nil {
			return err
		}
	}
}

func (r *importRun) deal(ctx context.Context, row *history.Row) error {
	shop, known := r.shops[row.Shop]
	if !known {
		return r.refuse(unknownShop(row, r.shops))
	}
	l := r.lanes[row.Shop]
	if l == nil {
		l = &lane{shop: shop, out: make(chan []importRow, chunksWaiting)}
		r.lanes[row.Shop] = l
		r.group.Go(func() error { return r.drain(ctx, l) })
	}
	l.next = append(l.next, importRow{row, historyRow(row, shop.zone)})
	if len(l.next) < chunkRows {
		return nil
	}
	return l.hand(ctx)
}

// hand passes the rows gathered on, and waits while the lane is full.
func (l *lane) hand(ctx context.Context) error {
	select {
	case l.out <- l.next:
		l.next = nil
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (r *importRun) flush(ctx context.Context) error {
	for _, l := range r.lanes {
		if len(l.next) == 0 {
			continue
		}
		if err := l.hand(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (r *importRun) drain(ctx context.Context, l *lane) error {
	for chunk := range l.out {
		if err := r.send(ctx, l.shop, chunk); err != nil {
			return err
		}
	}
	return nil
}

// refuse leaves a row out.
func (r *importRun) refuse(e *history.RowError) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sum.Refused++
	return r.hooks.refused(e)
}

// answered counts rows that went through.
func (r *importRun) answered(accepted, known int64, rows int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sum.Accepted += accepted
	r.sum.Known += known
	r.hooks.sent(rows)
}
