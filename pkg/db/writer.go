package db

import (
	"context"
	"database/sql"
	"errors"
	"time"
)

const (
	// groupSize is the most jobs that share a COMMIT.
	groupSize = 64
	// groupTime is when a group takes no further job, so that the first one
	// does not wait long for its answer.
	groupTime = 10 * time.Millisecond
	// queueSize is how many jobs wait before Write waits to queue one.
	queueSize = 1024
)

// writer is the one goroutine that writes a SQLite file.
//
// Its loop takes one group after the other: BEGIN, a job, further jobs in a
// savepoint each as long as some are waiting, COMMIT, answers. The first job of
// a group needs no savepoint: while it is alone, rolling back the transaction
// undoes it.
type writer struct {
	conn   *sql.Conn
	on     onConn
	counts *counts
	queue  chan *job
	ended  chan struct{}

	open    bool   // a transaction
	group   []*job // that have run in it
	running *job   // the one whose function runs now
}

func startWriter(conn *sql.Conn, n *counts) *writer {
	w := &writer{
		conn: conn, on: onConn{cache: newCache(conn), conn: conn}, counts: n,
		queue: make(chan *job, queueSize), ended: make(chan struct{}),
	}
	go w.loop()
	return w
}

// write queues a job and waits for its answer. The context's end takes back a
// job that is still queued.
func (w *writer) write(ctx context.Context, j *job) error {
	select {
	case w.queue <- j:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-j.done:
	case <-ctx.Done():
		if j.abandon() {
			return ctx.Err()
		}
		<-j.done
	}
	j.committed()
	return j.err
}

// stop ends the loop; no write runs any more.
func (w *writer) stop() error {
	close(w.queue)
	<-w.ended
	w.on.close()
	return w.conn.Close()
}

func (w *writer) loop() {
	defer w.left()
	for j := range w.queue {
		w.turn(j)
	}
}

// left runs when the loop's goroutine ends: because the store closes, or
// because a job ended it (FailNow of a test does). In the latter case the next
// goroutine clears up and goes on.
func (w *writer) left() {
	if w.running == nil {
		close(w.ended)
		return
	}
	go func() {
		culprit, group := w.running, w.group
		w.running, w.group = nil, nil
		w.rollback()
		culprit.after = nil
		culprit.reply(errGoexit)
		w.oneByOne(group)
		w.loop()
	}()
}

// turn works one group, beginning with j.
func (w *writer) turn(j *job) {
	w.group = w.group[:0]
	for begun := time.Now(); j != nil; j = w.next(begun) {
		if err := w.begin(); err != nil {
			if j.start() {
				j.reply(err)
			}
			continue
		}
		if j.start() && !w.join(j) {
			w.again()
			return
		}
	}
	if len(w.group) == 0 {
		w.rollback()
		return
	}
	if err := w.commit(); err != nil {
		w.again()
		return
	}
	after := hit("db.after-commit")
	for _, j := range w.group {
		if j.err == nil {
			j.err = after
		}
		j.reply(j.err)
	}
}

// next gives a job that is waiting, if the group may take one.
func (w *writer) next(begun time.Time) *job {
	if len(w.group) >= groupSize || len(w.group) > 0 && time.Since(begun) > groupTime {
		return nil
	}
	select {
	case j := <-w.queue:
		return j // nil when the queue is closed and empty
	default:
		return nil
	}
}

// join runs j in the open transaction. False means that the transaction, and
// with it the group, is lost.
func (w *writer) join(j *job) bool {
	if len(w.group) == 0 {
		if err := w.do(j); err != nil {
			w.rollback()
			j.reply(err) // it saw committed data only: nothing can change its error
			return true
		}
		w.group = append(w.group, j)
		return true
	}
	intact := w.inSavepoint(j)
	w.group = append(w.group, j)
	return intact
}

func (w *writer) inSavepoint(j *job) bool {
	if w.sql("SAVEPOINT job") != nil {
		return false
	}
	j.err = w.do(j)
	if j.err != nil && w.sql("ROLLBACK TO job") != nil {
		return false
	}
	return w.sql("RELEASE job") == nil
}

// again undoes the transaction and runs its jobs one by one.
func (w *writer) again() {
	group := w.group
	w.group = nil
	w.rollback()
	w.counts.reruns.Add(int64(len(group)))
	w.oneByOne(group)
}

func (w *writer) oneByOne(group []*job) {
	for i, j := range group {
		w.group = group[i+1:] // what is left, should j end the goroutine
		w.alone(j)
	}
	w.group = nil
}

// alone runs a job in a transaction of its own.
func (w *writer) alone(j *job) {
	err := w.begin()
	if err == nil {
		err = w.do(j)
	}
	if err == nil {
		err = w.commit()
	}
	if err != nil {
		w.rollback()
		j.after = nil
		j.reply(err)
		return
	}
	j.reply(hit("db.after-commit"))
}

// do runs the function of a job, which may end this goroutine.
func (w *writer) do(j *job) error {
	w.counts.jobs.Add(1)
	w.running = j
	err := j.run(w.on, "", w.counts)
	w.running = nil
	return err
}

// begin opens a transaction when none is open. Only another process can stand
// in the way here; busy_timeout has waited already.
func (w *writer) begin() error {
	if w.open {
		return nil
	}
	err := w.sql("BEGIN IMMEDIATE")
	w.open = err == nil
	return err
}

// commit leaves the transaction open when it fails.
func (w *writer) commit() error {
	if err := hit("db.before-commit"); err != nil {
		return err
	}
	if err := w.sql("COMMIT"); err != nil {
		return err
	}
	w.open = false
	w.counts.commits.Add(1)
	return nil
}

// rollback ends the transaction. An error says that SQLite had ended it.
func (w *writer) rollback() {
	if w.open {
		_ = w.sql("ROLLBACK")
		w.open = false
	}
}

func (w *writer) sql(text string) error {
	_, err := w.on.exec(context.Background(), text, nil)
	if errors.Is(err, sql.ErrConnDone) {
		return errClosed()
	}
	return err
}
