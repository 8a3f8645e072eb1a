package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	// Zones of shops must load on machines that have no zone files.
	_ "time/tzdata"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"spindlewright/services/wright/history"
)

// ImportCommand takes a repair history in.
type ImportCommand struct {
	File       string     `arg:"" help:"CSV file; - reads standard input."`
	Rejects    string     `name:"rejects" type:"path" placeholder:"FILE" help:"Where refused rows go, with line, first column at fault and all reasons; default the name of the file with .rejects.csv in place of its ending, import.rejects.csv for standard input."`
	Connection Connection `embed:""`
}

// Help names the columns.
func (c *ImportCommand) Help() string {
	return "The file is UTF-8, comma-separated, with a header line of these columns in any order:\n" +
		strings.Join(history.Columns(), ", ") + ".\n" +
		"Dates are YYYY-MM-DD in the shop's zone, hours plain decimals. kind is repair or seen; a seen row needs hours, " +
		"seen_on and source and leaves the repair columns empty. A row that was imported before changes nothing, so an " +
		"interrupted import is simply run again.\n" +
		"Refused rows go to a file of the same columns, as they were read, with three more: line, refused_column (the first at " +
		"fault) and refused_because (what is wrong with each column that can be judged without the site, or what the site says). " +
		"Mend it and import it: the three are ignored. Exit code 0: every row is in; 3: some were refused."
}

// Run imports the file.
func (c *ImportCommand) Run(ctx context.Context, out IO) error {
	in, size, err := c.open()
	if err != nil {
		return usageError{err}
	}
	defer func() { _ = in.Close() }()
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		rejects := &rejectFile{path: c.rejectsPath()}
		bar := newImportProgress(out, size)
		sum, err := importHistory(ctx, cc, bar.reading(in), importHooks{refused: rejects.write, sent: bar.sent})
		bar.end()
		return errors.Join(c.report(out, sum, rejects, err), rejects.close())
	})
}

func (c *ImportCommand) open() (io.ReadCloser, int64, error) {
	if c.File == "-" {
		return io.NopCloser(os.Stdin), -1, nil
	}
	f, err := os.Open(c.File)
	if err != nil {
		return nil, 0, err
	}
	info, err := f.Stat()
	if err != nil || info.IsDir() {
		_ = f.Close()
		return nil, 0, errors.Join(err, fmt.Errorf("%s is not a file", c.File))
	}
	return f, info.Size(), nil
}

func (c *ImportCommand) rejectsPath() string {
	switch {
	case c.Rejects != "":
		return c.Rejects
	case c.File == "-":
		return "import.rejects.csv"
	}
	return strings.TrimSuffix(c.File, filepath.Ext(c.File)) + ".rejects.csv"
}

// report prints the sum and turns refusals into an exit code.
func (c *ImportCommand) report(out IO, sum importSum, rejects *rejectFile, err error) error {
	_, _ = fmt.Fprintf(out.Out, "%d rows: %d accepted, %d known from an earlier import, %d refused\n",
		sum.rows(), sum.Accepted, sum.Known, sum.Refused)
	if sum.Refused > 0 {
		_, _ = fmt.Fprintf(out.Err, "refused rows are in %s; mend and import that file\n", rejects.path)
	}
	switch {
	case err != nil && sum.rows() > 0:
		_, _ = fmt.Fprintln(out.Err, "the import stopped before the end; run it again to go on, rows that are in stay in")
		return err
	case err != nil:
		return err
	case sum.Refused > 0:
		return status.Errorf(codes.InvalidArgument, "%d of %d rows were refused", sum.Refused, sum.rows())
	}
	return nil
}

// rejectFile is made when the first row is refused.
type rejectFile struct {
	path string
	file *os.File
	out  *history.RejectWriter
}

func (r *rejectFile) write(e *history.RowError) error {
	if r.file == nil {
		f, err := os.Create(r.path)
		if err != nil {
			return fmt.Errorf("rejects file: %w", err)
		}
		r.file, r.out = f, history.NewRejectWriter(f)
	}
	return r.out.Write(e)
}

func (r *rejectFile) close() error {
	if r.file == nil {
		return nil
	}
	return r.file.Close()
}
