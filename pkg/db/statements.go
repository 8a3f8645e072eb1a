package db

import (
	"container/list"
	"context"
	"database/sql"
	"sync"
)

// cacheSize bounds the prepared statements of one cache. A service has fewer
// texts of its own; what goes beyond comes from lists of varying length.
const cacheSize = 256

// preparer is a *sql.Conn or a *sql.DB.
type preparer interface {
	PrepareContext(ctx context.Context, query string) (*sql.Stmt, error)
}

// cache runs statements prepared, keeping those used last. It is safe for
// concurrent use.
type cache struct {
	on preparer

	mu     sync.Mutex
	byText map[string]*list.Element
	recent *list.List // of *prepared, the newest first
}

// prepared is a statement with the number of callers between take and put.
type prepared struct {
	text    string
	stmt    *sql.Stmt
	users   int
	evicted bool
}

func newCache(on preparer) *cache {
	return &cache{on: on, byText: map[string]*list.Element{}, recent: list.New()}
}

func (c *cache) exec(ctx context.Context, query string, args []any) (sql.Result, error) {
	p, err := c.take(ctx, query)
	if err != nil {
		return nil, err
	}
	defer c.put(p)
	return p.stmt.ExecContext(ctx, args...)
}

func (c *cache) query(ctx context.Context, query string, args []any) (*sql.Rows, error) {
	p, err := c.take(ctx, query)
	if err != nil {
		return nil, err
	}
	defer c.put(p) // the rows themselves keep the statement from being finalized
	return p.stmt.QueryContext(ctx, args...)
}

// queryRow leaves the error of a text that does not parse to fallback, because
// only database/sql can make a *sql.Row that holds one.
func (c *cache) queryRow(ctx context.Context, query string, args []any, fallback rowQuerier) *sql.Row {
	p, err := c.take(ctx, query)
	if err != nil {
		return fallback.QueryRowContext(ctx, query, args...)
	}
	defer c.put(p)
	return p.stmt.QueryRowContext(ctx, args...)
}

type rowQuerier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func (c *cache) take(ctx context.Context, text string) (*prepared, error) {
	if p := c.find(text); p != nil {
		return p, nil
	}
	// Two callers may both prepare here; the later one's stays.
	stmt, err := c.on.PrepareContext(ctx, text)
	if err != nil {
		return nil, err
	}
	p := &prepared{text: text, stmt: stmt, users: 1}
	c.mu.Lock()
	defer c.mu.Unlock()
	if old := c.byText[text]; old != nil {
		c.evict(old)
	}
	c.byText[text] = c.recent.PushFront(p)
	if c.recent.Len() > cacheSize {
		c.evict(c.recent.Back())
	}
	return p, nil
}

func (c *cache) find(text string) *prepared {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.byText[text]
	if e == nil {
		return nil
	}
	c.recent.MoveToFront(e)
	p := e.Value.(*prepared)
	p.users++
	return p
}

func (c *cache) put(p *prepared) {
	c.mu.Lock()
	defer c.mu.Unlock()
	p.users--
	if p.evicted && p.users == 0 {
		p.stmt.Close()
	}
}

// evict runs under mu.
func (c *cache) evict(e *list.Element) {
	p := c.recent.Remove(e).(*prepared)
	delete(c.byText, p.text)
	p.evicted = true
	if p.users == 0 {
		p.stmt.Close()
	}
}

func (c *cache) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for c.recent.Len() > 0 {
		c.evict(c.recent.Back())
	}
}

// onConn are the cached statements of the writing connection.
type onConn struct {
	*cache
	conn *sql.Conn
}

func (o onConn) queryRow(ctx context.Context, query string, args []any) *sql.Row {
	return o.cache.queryRow(ctx, query, args, o.conn)
}

// onPool is a Querier over a pool of connections, with cached statements.
type onPool struct {
	*cache
	pool *sql.DB
	ctx  context.Context
}

func (o onPool) Query(query string, args ...any) (*sql.Rows, error) {
	return o.cache.query(o.ctx, query, args)
}

func (o onPool) QueryRow(query string, args ...any) *sql.Row {
	return o.cache.queryRow(o.ctx, query, args, o.pool)
}

// onTx runs statements in a transaction of database/sql. On PostgreSQL the
// driver caches them itself.
type onTx struct {
	tx  *sql.Tx
	ctx context.Context // of a View; jobs give theirs with each call
}

func (o onTx) exec(ctx context.Context, query string, args []any) (sql.Result, error) {
	return o.tx.ExecContext(ctx, query, args...)
}

func (o onTx) query(ctx context.Context, query string, args []any) (*sql.Rows, error) {
	return o.tx.QueryContext(ctx, query, args...)
}

func (o onTx) queryRow(ctx context.Context, query string, args []any) *sql.Row {
	return o.tx.QueryRowContext(ctx, query, args...)
}

func (o onTx) Query(query string, args ...any) (*sql.Rows, error) {
	return o.tx.QueryContext(o.ctx, query, args...)
}

func (o onTx) QueryRow(query string, args ...any) *sql.Row {
	return o.tx.QueryRowContext(o.ctx, query, args...)
}
