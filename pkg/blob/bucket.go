package blob

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/s3blob" // s3:// URLs
	"gocloud.dev/gcerrors"
)

// bucket keeps each blob as an object <tenant>/<sha256>.
type bucket struct{ *blob.Bucket }

func openBucket(ctx context.Context, location string) (*bucket, error) {
	b, err := blob.OpenBucket(ctx, location)
	if err != nil {
		return nil, fmt.Errorf("blob: open the bucket: %w", err)
	}
	return &bucket{b}, nil
}

// put relies on what S3 promises: an object appears with the end of its upload,
// and is durable when that is acknowledged.
func (b *bucket) put(ctx context.Context, key string, fill func(io.Writer) error) error {
	// Cancelling before Close is how gocloud.dev gives an upload up.
	ctx, giveUp := context.WithCancel(ctx)
	defer giveUp()
	w, err := b.NewWriter(ctx, key, &blob.WriterOptions{ContentType: "application/octet-stream"})
	if err != nil {
		return fmt.Errorf("blob: %w", err)
	}
	if err := fill(w); err != nil {
		giveUp()
		_ = w.Close()
		return err
	}
	if err := w.Close(); err != nil {
		return fmt.Errorf("blob: upload: %w", err)
	}
	return nil
}

func (b *bucket) settle(string) error { return nil }

func (b *bucket) get(ctx context.Context, key string) (io.ReadCloser, error) {
	r, err := b.NewReader(ctx, key, nil)
	if err != nil {
		return nil, held(err)
	}
	return r, nil
}

func (b *bucket) stat(ctx context.Context, key string) (int64, time.Time, error) {
	a, err := b.Attributes(ctx, key)
	if err != nil {
		return 0, time.Time{}, held(err)
	}
	return a.Size, a.ModTime, nil
}

func (b *bucket) remove(ctx context.Context, key string) error {
	if err := b.Delete(ctx, key); err != nil {
		return held(err)
	}
	return nil
}

func (b *bucket) list(ctx context.Context, prefix string, fn func(string, int64, time.Time) error) error {
	objects := b.List(&blob.ListOptions{Prefix: prefix})
	for {
		o, err := objects.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("blob: list: %w", err)
		}
		if err := fn(strings.TrimPrefix(o.Key, prefix), o.Size, o.ModTime); err != nil {
			return err
		}
	}
}

func (b *bucket) health(ctx context.Context) error {
	there, err := b.IsAccessible(ctx)
	if err != nil {
		return fmt.Errorf("blob: reach the bucket: %w", err)
	}
	if !there {
		return errors.New("blob: the bucket does not exist")
	}
	return nil
}

func (b *bucket) close() error { return b.Close() }

// held turns the bucket's absence into the package's.
func held(err error) error {
	if gcerrors.Code(err) == gcerrors.NotFound {
		return ErrNotFound
	}
	return fmt.Errorf("blob: %w", err)
}
