package db

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver "sqlite"
)

// readers is the number of connections that read a SQLite file at once.
const readers = 4

// fileStore is a store in one file: a writer and a pool of readers.
type fileStore struct {
	file   string
	writer *writer
	one    *sql.DB
	read   *sql.DB
	cached *cache
}

// pragmas of every connection. synchronous=FULL flushes the log at each commit;
// busy_timeout bounds the wait for a process from outside, such as a backup.
const pragmas = "_pragma=busy_timeout(5000)&_pragma=foreign_keys(1)&_pragma=synchronous(FULL)"

// writerPragmas also give the writer room: an import writes keys in random order
// all over its indexes. Of 400,000 such rows the system time fell from 14.6 s with
// the defaults (2 MB of pages, the log copied back every 1,000 pages) to 8.6 s
// with 8 MB and 4,000 pages, and to 7.2 s with 32 MB.
const writerPragmas = "&_pragma=journal_mode(WAL)&_pragma=wal_autocheckpoint(4000)&_pragma=cache_size(-16384)&_txlock=immediate"

// dsn quotes the path, which may hold any character.
func dsn(file, parameters string) string {
	return "file:" + (&url.URL{Path: file}).EscapedPath() + "?" + pragmas + parameters
}

func openSQLite(ctx context.Context, c Config, n *counts) (_ *fileStore, err error) {
	folder, err := filepath.Abs(c.Folder)
	if err != nil {
		return nil, err
	}
	s := &fileStore{file: filepath.Join(folder, c.Service+".db")}
	if err := ownerOnly(s.file); err != nil {
		return nil, err
	}
	if s.one, err = sql.Open("sqlite", dsn(s.file, writerPragmas)); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.one.Close())
		}
	}()
	s.one.SetMaxOpenConns(1)
	if err := migrate(ctx, SQLite, s.one, c.Migrations); err != nil {
		return nil, err
	}
	if s.read, err = sql.Open("sqlite", dsn(s.file, "&_pragma=query_only(1)")); err != nil {
		return nil, err
	}
	s.read.SetMaxOpenConns(readers)
	s.read.SetMaxIdleConns(readers)
	s.cached = newCache(s.read)
	conn, err := s.one.Conn(ctx)
	if err != nil {
		return nil, errors.Join(err, s.read.Close())
	}
	s.writer = startWriter(conn, n)
	return s, nil
}

// ownerOnly makes the file before SQLite does, so that it, and the -wal and -shm
// files that take over its mode, are never open to others.
func ownerOnly(file string) error {
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("open the store's file: %w", err)
	}
	return errors.Join(f.Chmod(0o600), f.Close())
}

func (s *fileStore) kind() Engine { return SQLite }

func (s *fileStore) write(ctx context.Context, j *job) error { return s.writer.write(ctx, j) }

func (s *fileStore) reader(ctx context.Context) Querier {
	return onPool{cache: s.cached, pool: s.read, ctx: ctx}
}

// view reads in one deferred transaction: the first query fixes the state.
func (s *fileStore) view(ctx context.Context, read func(q Querier) error) error {
	return viewIn(ctx, s.read, nil, read)
}

// lease is always held: the lock on the folder keeps other processes away.
func (s *fileStore) lease(context.Context, string) (bool, <-chan struct{}, func(), error) {
	return true, make(chan struct{}), func() {}, nil
}

func (s *fileStore) pools() []*sql.DB { return []*sql.DB{s.read, s.one} }

func (s *fileStore) pending() int { return len(s.writer.queue) }

func (s *fileStore) close() error {
	err := s.writer.stop()
	s.cached.close()
	return errors.Join(err, s.read.Close(), s.one.Close())
}

// viewIn runs read in a transaction that is only rolled back.
func viewIn(ctx context.Context, pool *sql.DB, o *sql.TxOptions, read func(q Querier) error) error {
	tx, err := pool.BeginTx(ctx, o)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing was written that it could fail to undo
	return read(onTx{tx: tx, ctx: ctx})
}
