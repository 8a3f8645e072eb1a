package blob

import (
	"context"
	"errors"
	"io"
	"time"
)

// ErrUnset says that no place for blobs was configured.
var ErrUnset = errors.New("blob: no place for blobs is set: give a folder (file:///path) or a bucket (s3://...)")

// unset refuses every call.
type unset struct{}

func (unset) put(context.Context, string, func(io.Writer) error) error { return ErrUnset }
func (unset) settle(string) error                                      { return ErrUnset }
func (unset) get(context.Context, string) (io.ReadCloser, error)       { return nil, ErrUnset }
func (unset) stat(context.Context, string) (int64, time.Time, error) {
	return 0, time.Time{}, ErrUnset
}
func (unset) remove(context.Context, string) error { return ErrUnset }
func (unset) list(context.Context, string, func(string, int64, time.Time) error) error {
	return ErrUnset
}
func (unset) health(context.Context) error { return ErrUnset }
func (unset) close() error                 { return nil }
