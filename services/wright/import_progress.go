package main

import (
	"fmt"
	"io"
	"sync/atomic"
	"time"

	"github.com/schollz/progressbar/v3"
)

// plainEvery is how many rows lie between two lines of progress when there is
// no terminal to draw on.
const plainEvery = 50_000

// importProgress shows how far an import is: a bar over the file's bytes on a
// terminal, a line now and then elsewhere.
type importProgress struct {
	out  IO
	bar  *progressbar.ProgressBar
	rows atomic.Int64
}

// newImportProgress starts a bar; size is -1 when the length is not known.
func newImportProgress(out IO, size int64) *importProgress {
	p := &importProgress{out: out}
	if out.Terminal {
		p.bar = progressbar.NewOptions64(size,
			progressbar.OptionSetWriter(out.Err), progressbar.OptionSetDescription("importing"),
			progressbar.OptionShowBytes(true), progressbar.OptionSetWidth(30),
			progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
	}
	return p
}

// reading counts the bytes that go by.
func (p *importProgress) reading(in io.Reader) io.Reader {
	if p.bar == nil {
		return in
	}
	return io.TeeReader(in, p.bar)
}

// sent is told of rows that were answered for.
func (p *importProgress) sent(rows int) {
	now := p.rows.Add(int64(rows))
	if p.bar == nil && now/plainEvery != (now-int64(rows))/plainEvery {
		_, _ = fmt.Fprintf(p.out.Err, "%d rows\n", now/plainEvery*plainEvery)
	}
}

func (p *importProgress) end() {
	if p.bar != nil {
		_ = p.bar.Finish()
	}
}
