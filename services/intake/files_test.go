package intake

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"spindlewright/pkg/access"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// signed is a stream of a caller.
type signed struct {
	grpc.ServerStream
	ctx context.Context
}

func (s signed) Context() context.Context { return s.ctx }

// client reaches the service over gRPC as a caller.
func (w *world) client(who context.Context) intakev1.IntakeServiceClient {
	w.t.Helper()
	edge := fault.Edge{Log: w.log, IDs: w.ids}
	server := grpc.NewServer(grpc.ChainStreamInterceptor(edge.Stream(), func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, h grpc.StreamHandler) error {
		return h(srv, signed{ss, access.With(ss.Context(), access.From(who))})
	}))
	w.Register(server)
	l := bufconn.Listen(1 << 20)
	go func() { _ = server.Serve(l) }()
	w.t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///intake", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { _ = conn.Close() })
	return intakev1.NewIntakeServiceClient(conn)
}

func upload(api intakev1.IntakeServiceClient, h *intakev1.FileHeader, parts ...[]byte) (*intakev1.UploadFileResponse, error) {
	up, err := api.UploadFile(context.Background())
	if err != nil {
		return nil, err
	}
	if h != nil {
		_ = up.Send(&intakev1.UploadFileRequest{Part: &intakev1.UploadFileRequest_Header{Header: h}})
	}
	for _, p := range parts {
		if up.Send(&intakev1.UploadFileRequest{Part: &intakev1.UploadFileRequest_Chunk{Chunk: p}}) != nil {
			break // the answer says why
		}
	}
	got, err := up.CloseAndRecv()
	if f := fault.FromStatus(err); f != nil {
		return got, f
	}
	return got, err
}

func download(api intakev1.IntakeServiceClient, orderID, sha256 string) ([]byte, error) {
	down, err := api.DownloadFile(context.Background(), &intakev1.DownloadFileRequest{WorkOrderId: orderID, Sha256: sha256})
	if err != nil {
		return nil, err
	}
	var all bytes.Buffer
	for {
		part, err := down.Recv()
		if errors.Is(err, io.EOF) {
			return all.Bytes(), nil
		}
		if err != nil {
			if f := fault.FromStatus(err); f != nil {
				return nil, f
			}
			return nil, err
		}
		all.Write(part.GetChunk())
	}
}

func header(wo *intakev1.WorkOrder, content []byte) *intakev1.FileHeader {
	return &intakev1.FileHeader{WorkOrderId: wo.WorkOrderId, FileName: "crate.jpg", MediaType: "image/jpeg", SizeBytes: int64(len(content)), Sha256: digest(content)}
}

func TestFiles(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		api := w.client(w.technician())
		content := bytes.Repeat([]byte("photograph "), 30_000)
		got, err := upload(api, header(wo, content), content[:1000], nil, content[1000:])
		if err != nil || got.Sha256 != digest(content) || got.SizeBytes != int64(len(content)) {
			t.Fatalf("got %v, %v", got, err)
		}
		if _, err := upload(api, header(wo, content), content); err != nil {
			t.Errorf("the same file again: %v", err)
		}
		wo = must(w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId,
			Evidence: &intakev1.Evidence{Kind: "photograph", FileSha256: digest(content)}}))(t)
		back, err := download(api, wo.WorkOrderId, digest(content))
		if err != nil || !bytes.Equal(back, content) {
			t.Errorf("%d of %d bytes came back: %v", len(back), len(content), err)
		}
		_, err = download(api, wo.WorkOrderId, digest([]byte("another")))
		refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "file")
		_, err = download(w.client(w.as(accessv1.Role_ROLE_LEAD, "l", south)), wo.WorkOrderId, digest(content))
		refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "work order")
		_, err = upload(w.client(w.as(accessv1.Role_ROLE_LEAD, "l", south)), header(wo, content), content)
		refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "work order")
	})
}

func TestFileRefusals(t *testing.T) {
	w := newWorld(t)
	wo := w.received()
	api := w.client(w.technician())
	content := []byte("content")
	for _, c := range []struct {
		name, path, text string
		change           func(*intakev1.FileHeader)
	}{
		{"more bytes than stated", "header.size_bytes", "came", func(h *intakev1.FileHeader) { h.SizeBytes = 3 }},
		{"fewer bytes than stated", "header.size_bytes", "came", func(h *intakev1.FileHeader) { h.SizeBytes = 300 }},
		{"another digest", "header.sha256", "the bytes have", func(h *intakev1.FileHeader) { h.Sha256 = digest(nil) }},
		{"no digest", "header.sha256", "64", func(h *intakev1.FileHeader) { h.Sha256 = "abc" }},
		{"a path", "header.file_name", "own name", func(h *intakev1.FileHeader) { h.FileName = "../../etc/passwd" }},
		{"a program", "header.media_type", "application/pdf", func(h *intakev1.FileHeader) { h.MediaType = "application/x-sh" }},
		{"too large", "header.size_bytes", "33554432", func(h *intakev1.FileHeader) { h.SizeBytes = 33554433 }},
	} {
		h := header(wo, content)
		c.change(h)
		_, err := upload(api, h, content)
		t.Run(c.name, func(t *testing.T) { refused(t, err, faultv1.Reason_REASON_BAD_FILE, c.path, c.text) })
	}
	_, err := upload(api, nil, content)
	refused(t, err, faultv1.Reason_REASON_BAD_FILE, "header", "before the bytes")
	_, err = upload(api, nil)
	refused(t, err, faultv1.Reason_REASON_BAD_FILE, "header", "before the bytes")
}

func TestAbandonedFilesAreSwept(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		one, two := w.received(), w.received()
		api := w.client(w.technician())
		kept, dropped, shared := []byte("kept"), []byte("dropped"), []byte("on two orders")
		for _, u := range []struct {
			wo      *intakev1.WorkOrder
			content []byte
		}{{one, kept}, {one, dropped}, {one, shared}, {two, shared}} {
			must(upload(api, header(u.wo, u.content), u.content))(t)
		}
		take := func(wo *intakev1.WorkOrder, content []byte) {
			must(w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId,
				Evidence: &intakev1.Evidence{Kind: "photograph", FileSha256: digest(content)}}))(t)
		}
		take(one, kept)
		take(two, shared)
		if n := must(w.sweepFiles(t.Context()))(t); n != 0 {
			t.Errorf("%d files were swept at once", n)
		}
		w.clock.Advance(25 * time.Hour)
		if n := must(w.sweepFiles(t.Context()))(t); n != 2 {
			t.Errorf("%d files were swept, want 2", n)
		}
		for name, c := range map[string]struct {
			content []byte
			there   bool
		}{"kept": {kept, true}, "dropped": {dropped, false}, "shared": {shared, true}} {
			_, err := w.blobs.Stat(t.Context(), north, digest(c.content))
			if (err == nil) != c.there {
				t.Errorf("%s: %v", name, err)
			}
		}
		if n := must(w.sweepFiles(t.Context()))(t); n != 0 {
			t.Errorf("%d files were swept twice", n)
		}
		must(upload(api, header(one, dropped), dropped))(t)
	})
}
