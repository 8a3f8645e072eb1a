package intake

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/blob"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

const (
	// maxFile is the largest file, in bytes.
	maxFile = 32 << 20
	// filePart is how much of a file one message carries on its way out.
	filePart = 64 << 10
)

// mediaTypes are what a file may be.
var mediaTypes = []string{"image/jpeg", "image/png", "application/pdf", "text/csv"}

func badFile(path, format string, args ...any) *fault.Error {
	return fault.InvalidField(path, format, args...).WithReason(faultv1.Reason_REASON_BAD_FILE)
}

// UploadFile stores a file: first its header, then its bytes. It is durable
// once answered, and stays when evidence refers to it within a day.
func (s *Service) UploadFile(stream grpc.ClientStreamingServer[intakev1.UploadFileRequest, intakev1.UploadFileResponse]) error {
	opening, err := stream.Recv()
	if errors.Is(err, io.EOF) {
		return badFile("header", "is missing; send it before the bytes")
	}
	if err != nil {
		return err
	}
	h := opening.GetHeader()
	if err := checkHeader(h); err != nil {
		return err
	}
	ctx := stream.Context()
	o, err := s.fileOrder(ctx, h.WorkOrderId)
	if err != nil {
		return err
	}
	f := file{order: o.id, sha256: h.Sha256, shop: o.shop, name: h.FileName, media: h.MediaType, size: h.SizeBytes,
		by: access.From(ctx).ID, pending: clock.Micros(s.clock.Now())}
	if err := s.store.Write(ctx, func(tx *db.Tx) error { return pendFile(tx, f) }); err != nil {
		return err
	}
	if err := s.blobs.Put(ctx, f.shop, f.sha256, f.size, &chunks{stream: stream}); err != nil {
		return putFault(err)
	}
	if err := s.store.Write(ctx, func(tx *db.Tx) error { return fileStored(tx, f.order, f.sha256) }); err != nil {
		return err
	}
	return stream.SendAndClose(&intakev1.UploadFileResponse{Sha256: f.sha256, SizeBytes: f.size})
}

func checkHeader(h *intakev1.FileHeader) error {
	if h == nil {
		return badFile("header", "is missing; send it before the bytes")
	}
	if err := first(checkTexts(h), name("header.file_name", h.FileName, 200)); err != nil {
		return err
	}
	digest, err := hex.DecodeString(h.Sha256)
	switch {
	case strings.ContainsAny(h.FileName, `/\`):
		return badFile("header.file_name", "is a path; give the file's own name")
	case !slices.Contains(mediaTypes, h.MediaType):
		return badFile("header.media_type", "is %q; the types are %s", cutText(h.MediaType), strings.Join(mediaTypes, ", "))
	case h.SizeBytes <= 0 || h.SizeBytes > maxFile:
		return badFile("header.size_bytes", "is %d; give 1 to %d bytes", h.SizeBytes, maxFile)
	case err != nil || len(digest) != 32 || strings.ToLower(h.Sha256) != h.Sha256:
		return badFile("header.sha256", "must be the 64 lower-case hexadecimal digits of the file's SHA-256")
	}
	return nil
}

// fileOrder gives an order of the caller's shop whose spindle is still here.
func (s *Service) fileOrder(ctx context.Context, id string) (*order, error) {
	o, err := readOrder(s.store.Reader(ctx), id, "")
	if err != nil {
		return nil, err
	}
	if o == nil || !access.From(ctx).InShop(o.shop) {
		return nil, fault.NotFound("work order", cutText(id))
	}
	return o, o.stillHere()
}

// putFault says what was wrong with the bytes.
func putFault(err error) error {
	var mismatch *blob.MismatchError
	var refused *fault.Error
	switch {
	case errors.As(err, &mismatch) && mismatch.Field == "size":
		return badFile("header.size_bytes", "is %s, but %s bytes came", mismatch.Want, mismatch.Got).WithCause(err)
	case errors.As(err, &mismatch):
		return badFile("header.sha256", "is %s, but the bytes have %s; send the file again", mismatch.Want, mismatch.Got).WithCause(err)
	case errors.As(err, &refused):
		return refused
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	}
	return fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, "the file could not be stored at the moment; send it again").WithCause(err)
}

// chunks reads the bytes of an upload.
type chunks struct {
	stream interface {
		Recv() (*intakev1.UploadFileRequest, error)
	}
	rest []byte
}

func (c *chunks) Read(p []byte) (int, error) {
	for len(c.rest) == 0 {
		m, err := c.stream.Recv()
		if err != nil {
			return 0, err // io.EOF once the caller has sent everything
		}
		if m.GetHeader() != nil {
			return 0, badFile("header", "came twice; send it once, before the bytes")
		}
		c.rest = m.GetChunk()
	}
	n := copy(p, c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

// DownloadFile sends a file back: its header, then its bytes.
func (s *Service) DownloadFile(req *intakev1.DownloadFileRequest, stream grpc.ServerStreamingServer[intakev1.DownloadFileResponse]) error {
	ctx := stream.Context()
	if err := checkTexts(req); err != nil {
		return err
	}
	q := s.store.Reader(ctx)
	o, err := readOrder(q, req.WorkOrderId, "")
	if err != nil {
		return err
	}
	if o == nil || !seesOrder(access.From(ctx), o) {
		return fault.NotFound("work order", cutText(req.WorkOrderId))
	}
	f, err := readFile(q, o.id, req.Sha256)
	if err != nil || f == nil {
		return first(err, fault.NotFound("file", cutText(req.Sha256)))
	}
	bytes, err := s.blobs.Get(ctx, f.shop, f.sha256)
	if err != nil {
		return fmt.Errorf("file %s of order %s: %w", f.sha256, o.number, err)
	}
	defer func() { _ = bytes.Close() }()
	if err := stream.Send(&intakev1.DownloadFileResponse{Part: &intakev1.DownloadFileResponse_Header{Header: &intakev1.FileHeader{
		WorkOrderId: f.order, FileName: f.name, MediaType: f.media, SizeBytes: f.size, Sha256: f.sha256}}}); err != nil {
		return err
	}
	return sendBytes(stream, bytes)
}

func sendBytes(stream grpc.ServerStreamingServer[intakev1.DownloadFileResponse], r io.Reader) error {
	for {
		// A part is the receiver's once sent, so each has its own bytes.
		part := make([]byte, filePart)
		n, err := io.ReadFull(r, part)
		if n > 0 {
			if err := stream.Send(&intakev1.DownloadFileResponse{Part: &intakev1.DownloadFileResponse_Chunk{Chunk: part[:n]}}); err != nil {
				return err
			}
		}
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return nil
		case err != nil:
			return err
		}
	}
}
