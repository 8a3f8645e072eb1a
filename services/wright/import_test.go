package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/services/wright/history"
)

// shelf is the smallest server that an import can talk to: it keeps rows by
// content, as intake promises to, and can be told to misbehave.
type shelf struct {
	accessv1.UnimplementedAccessServiceServer
	intakev1.UnimplementedIntakeServiceServer

	mu sync.Mutex
	// before may answer a call in the shelf's place.
	before func(call int, req *intakev1.ImportHistoryRequest) error
	calls  int
	kept   map[[32]byte]bool
	// order of the rows kept, by shop.
	order map[string][]int64
	// answers by request id, as the idempotency rule has it.
	answers map[string]*intakev1.ImportHistoryResponse
}

func (s *shelf) ListShops(_ context.Context, req *accessv1.ListShopsRequest) (*accessv1.ListShopsResponse, error) {
	if req.PageToken == "" {
		return &accessv1.ListShopsResponse{NextPageToken: "more", Shops: []*accessv1.Shop{{ShopId: "riv-id", Code: "RIV", TimeZone: "Europe/Berlin"}}}, nil
	}
	return &accessv1.ListShopsResponse{Shops: []*accessv1.Shop{
		{ShopId: "hlt-id", Code: "HLT", TimeZone: "Europe/London"}, {ShopId: "qua-id", Code: "QUA", TimeZone: "America/Chicago"}}}, nil
}

func (s *shelf) ImportHistory(_ context.Context, req *intakev1.ImportHistoryRequest) (*intakev1.ImportHistoryResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	if s.before != nil {
		if err := s.before(s.calls, req); err != nil {
			return nil, err
		}
	}
	if first := s.answers[req.RequestId]; first != nil {
		return first, nil
	}
	answer := &intakev1.ImportHistoryResponse{}
	for _, row := range req.Rows {
		s.keep(req.ShopId, row, answer)
	}
	s.answers[req.RequestId] = answer
	return answer, nil
}

func (s *shelf) keep(shop string, row *intakev1.HistoryRow, answer *intakev1.ImportHistoryResponse) {
	if strings.HasPrefix(row.Customer, "nobody") {
		answer.Refused = append(answer.Refused, &intakev1.RowRefusal{Line: row.Line, Column: "customer", Reason: "is not known"})
		return
	}
	content := proto.Clone(row).(*intakev1.HistoryRow)
	content.Line = 0
	body, _ := proto.MarshalOptions{Deterministic: true}.Marshal(content)
	key := sha256.Sum256(append([]byte(shop), body...))
	if s.kept[key] {
		answer.Known++
		return
	}
	s.kept[key] = true
	s.order[shop] = append(s.order[shop], row.Line)
	answer.Accepted++
}

// startShelf serves a shelf on loopback and gives its address.
func startShelf(t *testing.T) (*shelf, string) {
	t.Helper()
	s := &shelf{kept: map[[32]byte]bool{}, order: map[string][]int64{}, answers: map[string]*intakev1.ImportHistoryResponse{}}
	server := grpc.NewServer()
	accessv1.RegisterAccessServiceServer(server, s)
	intakev1.RegisterIntakeServiceServer(server, s)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	t.Cleanup(func() {
		server.Stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return s, listener.Addr().String()
}

// importFile runs the whole command and gives its code and what it printed.
func importFile(t *testing.T, addr, text string, more ...string) (code int, out, complaints, rejects string) {
	t.Helper()
	folder := t.TempDir()
	path := filepath.Join(folder, "history.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var o, e bytes.Buffer
	code = execute(t.Context(), append([]string{"import", path, "--to", addr}, more...),
		IO{Out: &o, Err: &e, Getenv: func(string) string { return "" }})
	text2, err := os.ReadFile(filepath.Join(folder, "history.rejects.csv"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return code, o.String(), e.String(), string(text2)
}

func honestText(t *testing.T) (text string, rows int64) {
	t.Helper()
	const some = 4000
	var b strings.Builder
	n, err := history.Write(&b, func(yield func(history.Row) bool) {
		n := 0
		for row := range history.Honest(4, 1).Rows() {
			if n++; n > some || !yield(row) {
				return
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String(), n
}

func TestImportTakesEverythingOnceInOrder(t *testing.T) {
	s, addr := startShelf(t)
	text, n := honestText(t)
	code, out, _, rejects := importFile(t, addr, text)
	want := fmt.Sprintf("%d rows: %d accepted, 0 known from an earlier import, 0 refused\n", n, n)
	if code != exitDone || out != want || rejects != "" {
		t.Errorf("code %d, printed %q, rejects %q", code, out, rejects)
	}
	for shop, lines := range s.order {
		if !slices.IsSorted(lines) {
			t.Errorf("the rows of %s came out of order", shop)
		}
	}
	code, out, _, _ = importFile(t, addr, text)
	want = fmt.Sprintf("%d rows: 0 accepted, %d known from an earlier import, 0 refused\n", n, n)
	if code != exitDone || out != want {
		t.Errorf("the second time: code %d, printed %q", code, out)
	}
}

func TestImportWritesRefusedRowsWithTheirReason(t *testing.T) {
	_, addr := startShelf(t)
	const head = "kind,record,corrects,recorded_on,shop,customer,maker,model,serial,machine,hours,removed_on,received_on,shipped_on,reason,component,mode,mechanism,cause,warranty_of,outcome,seen_on,source\n"
	line := func(record, shop, customer, hours string) string {
		return fmt.Sprintf("seen,%s,,2024-03-02,%s,%s,Corvane,CV 8,77-10,mill 3,%s,,,,,,,,,,,2024-03-01,meter\n", record, shop, customer, hours)
	}
	code, out, complaints, rejects := importFile(t, addr, head+
		line("A1", "RIV", "harrow-mills", "100")+
		line("A2", "RIV", "harrow-mills", "lots")+
		line("A3", "RVI", "harrow-mills", "100")+
		line("A4", "HLT", "nobody", "100"))
	if code != exitRefused || out != "4 rows: 1 accepted, 0 known from an earlier import, 3 refused\n" {
		t.Errorf("code %d, printed %q", code, out)
	}
	if !strings.Contains(complaints, "history.rejects.csv; mend and import that file") || !strings.Contains(complaints, "3 of 4 rows were refused") {
		t.Errorf("said %q", complaints)
	}
	for _, want := range []string{
		`,lots,,,,,,,,,,,2024-03-01,meter,3,hours,"is ""lots"", must be a plain decimal`,
		`meter,4,shop,"is ""RVI"", which is no shop's code; the shops are HLT, QUA, RIV"`,
		`meter,5,customer,is not known`,
	} {
		if !strings.Contains(rejects, want) {
			t.Errorf("the rejects file lacks %s:\n%s", want, rejects)
		}
	}
}

func refusal(code codes.Code, reason faultv1.Reason, fields ...fault.Field) error {
	return (&fault.Error{Code: code, Reason: reason, Message: "no", Fields: fields}).Status().Err()
}

func TestImportDealsWithRefusedCalls(t *testing.T) {
	text, n := honestText(t)
	firstIDs := map[string]int{}
	for _, c := range []struct {
		name   string
		before func(call int, req *intakev1.ImportHistoryRequest) error
		code   int
		want   string
	}{
		{"events too large are halved", func(_ int, req *intakev1.ImportHistoryRequest) error {
			if len(req.Rows) > 60 {
				return refusal(codes.InvalidArgument, faultv1.Reason_REASON_EVENT_TOO_LARGE)
			}
			return nil
		}, exitDone, fmt.Sprintf("%d accepted, 0 known from an earlier import, 0 refused", n)},
		{"nobody there for a moment", func(call int, req *intakev1.ImportHistoryRequest) error {
			if firstIDs[req.RequestId]++; firstIDs[req.RequestId] == 1 && call%3 == 0 {
				return status.Error(codes.Unavailable, "restarting")
			}
			return nil
		}, exitDone, fmt.Sprintf("%d accepted, 0 known from an earlier import, 0 refused", n)},
		{"rows named in a refused call", func(_ int, req *intakev1.ImportHistoryRequest) error {
			if len(req.Rows) == chunkRows {
				return refusal(codes.InvalidArgument, faultv1.Reason_REASON_INVALID_FIELD, fault.Field{Path: "rows[7].record", Problem: "is odd"})
			}
			return nil
		}, exitRefused, "refused"},
		{"another shop's token", func(_ int, req *intakev1.ImportHistoryRequest) error {
			if req.ShopId != "riv-id" {
				return refusal(codes.PermissionDenied, faultv1.Reason_REASON_OTHER_SHOP)
			}
			return nil
		}, exitRefused, "refused"},
		{"not signed in", func(int, *intakev1.ImportHistoryRequest) error {
			return refusal(codes.Unauthenticated, faultv1.Reason_REASON_NOT_SIGNED_IN)
		}, exitRefused, "0 accepted"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, addr := startShelf(t)
			s.before = c.before
			code, out, complaints, _ := importFile(t, addr, text)
			if code != c.code || !strings.Contains(out, c.want) {
				t.Errorf("code %d, printed %q, said %q", code, out, complaints)
			}
			if c.name == "not signed in" {
				return
			}
			if rows := countRows(out); rows != n {
				t.Errorf("accounted for %d of %d rows: %s", rows, n, out)
			}
		})
	}
}

// countRows reads the first figure of the summary.
func countRows(out string) (n int64) {
	_, _ = fmt.Sscanf(out, "%d rows", &n)
	return n
}

func TestImportGoesOnAfterAnInterruption(t *testing.T) {
	s, addr := startShelf(t)
	text, n := honestText(t)
	ctx, cancel := context.WithCancel(t.Context())
	s.before = func(call int, _ *intakev1.ImportHistoryRequest) error {
		if call == 4 {
			cancel()
		}
		return nil
	}
	path := filepath.Join(t.TempDir(), "history.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, complaints bytes.Buffer
	world := IO{Out: &out, Err: &complaints, Getenv: func(string) string { return "" }}
	if code := execute(ctx, []string{"import", path, "--to", addr}, world); code == exitDone {
		t.Fatal("an interrupted import says it is done")
	}
	if !strings.Contains(complaints.String(), "run it again to go on") {
		t.Errorf("said %q", complaints.String())
	}
	code, second, _, _ := importFile(t, addr, text)
	var rows, accepted, known int64
	_, _ = fmt.Sscanf(second, "%d rows: %d accepted, %d known", &rows, &accepted, &known)
	if code != exitDone || accepted == 0 || known == 0 || accepted+known != n {
		t.Errorf("code %d, printed %q", code, second)
	}
	if int64(len(s.kept)) != n {
		t.Errorf("%d rows are kept, want %d", len(s.kept), n)
	}
}

func TestImportHelpNamesTheRejectsFile(t *testing.T) {
	for file, want := range map[string]string{"my.csv": "my.rejects.csv", "old/my.history.txt": "old/my.history.rejects.csv", "-": "import.rejects.csv"} {
		if got := (&ImportCommand{File: file}).rejectsPath(); got != want {
			t.Errorf("refused rows of %s go to %s, want %s", file, got, want)
		}
	}
	var help bytes.Buffer
	execute(t.Context(), []string{"import", "--help"}, IO{Out: &help, Err: io.Discard, Getenv: func(string) string { return "" }})
	text := strings.Join(strings.Fields(help.String()), " ")
	if !strings.Contains(text, "with .rejects.csv in place of its ending") || strings.Contains(text, "FILE.rejects.csv") {
		t.Errorf("help says %s", text)
	}
}

func TestImportRefusesWhatIsNoHistory(t *testing.T) {
	_, addr := startShelf(t)
	for name, c := range map[string]struct{ text, want string }{
		"empty":      {"", "the file is empty; its first line must name the columns"},
		"semicolons": {"kind;record\n", "must be separated by commas"},
	} {
		t.Run(name, func(t *testing.T) {
			code, _, complaints, _ := importFile(t, addr, c.text)
			if code != exitFailed || !strings.Contains(complaints, c.want) {
				t.Errorf("code %d, said %q", code, complaints)
			}
		})
	}
	var complaints bytes.Buffer
	code := execute(t.Context(), []string{"import", "/nowhere/at/all.csv", "--to", addr},
		IO{Out: io.Discard, Err: &complaints, Getenv: func(string) string { return "" }})
	if code != exitUsage {
		t.Errorf("a missing file gives code %d, %s", code, complaints.String())
	}
}
