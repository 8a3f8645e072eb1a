package db

import (
	"context"
	"hash/fnv"
	"maps"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	// watchEach is how often a lease's connection is asked for an answer, and
	// askLimit how long that may take: a broken line ends the lease after both.
	watchEach = 5 * time.Second
	askLimit  = 5 * time.Second
	// releaseLimit bounds the goodbye to a server that may be gone.
	releaseLimit = 2 * time.Second
)

// lockKey turns names into the number of an advisory lock. All services of an
// installation may share a database, so the schema is part of it.
func lockKey(schema, name string) int64 {
	h := fnv.New64a()
	h.Write([]byte("spindlewright/" + schema + "/" + name))
	return int64(h.Sum64())
}

// lease takes a session advisory lock on a connection of its own. The lock is
// the session's: the server frees it when the connection ends, and the watcher
// tells the holder when that happens.
func (p *serverStore) lease(ctx context.Context, name string) (bool, <-chan struct{}, func(), error) {
	config := p.config.Copy()
	// A holder whose machine vanished without a word must not keep the lock
	// for the two hours that TCP waits by default. Unix sockets ignore these.
	maps.Copy(config.RuntimeParams, map[string]string{
		"tcp_keepalives_idle": "10", "tcp_keepalives_interval": "5", "tcp_keepalives_count": "3",
	})
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return false, nil, func() {}, err
	}
	var held bool
	err = conn.QueryRow(ctx, "SELECT pg_try_advisory_lock($1)", lockKey(p.schema, name)).Scan(&held)
	if err != nil || !held {
		hangUp(conn)
		return false, nil, func() {}, err
	}
	lost, release := watch(p.closed, conn, watchEach)
	return true, lost, release, nil
}

// watch closes lost once the connection is gone or the store is closed, and
// release gives the lock back: when it returns, another may have it.
func watch(closed context.Context, conn *pgx.Conn, each time.Duration) (lost <-chan struct{}, release func()) {
	gone := make(chan struct{})
	watching, stop := context.WithCancel(closed)
	go func() {
		defer close(gone)
		defer hangUp(conn)
		for watching.Err() == nil && answers(watching, conn, each) {
		}
	}()
	return gone, sync.OnceFunc(func() {
		stop()
		<-gone
	})
}

// answers listens on the connection for a while, which notices at once when the
// server closes it, and then asks for an answer, which notices a broken line.
func answers(ctx context.Context, conn *pgx.Conn, each time.Duration) bool {
	wait, cancel := context.WithTimeout(ctx, each)
	defer cancel()
	for {
		_, err := conn.WaitForNotification(wait)
		if err == nil {
			continue // a message meant for nobody
		}
		if wait.Err() == nil || conn.IsClosed() {
			return false
		}
		break
	}
	if ctx.Err() != nil {
		return false
	}
	ask, cancelAsk := context.WithTimeout(ctx, askLimit)
	defer cancelAsk()
	return conn.Ping(ask) == nil
}

// hangUp frees the session's locks and ends it. Ending alone would free them
// too, but only when the server comes to it.
func hangUp(conn *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.Background(), releaseLimit)
	defer cancel()
	if !conn.IsClosed() {
		_, _ = conn.Exec(ctx, "SELECT pg_advisory_unlock_all()") // when it fails, closing does it
	}
	_ = conn.Close(ctx)
}
