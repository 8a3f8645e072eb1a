package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"spindlewright/pkg/access"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// oracle answers every question with the same figures and keeps the question.
type oracle struct {
	reliabilityv1.UnimplementedReliabilityServiceServer
	asked *reliabilityv1.Question
}

var oracleBasis = &reliabilityv1.Basis{
	DataVersion: map[string]int64{"intake": 77, "access": 12}, MethodVersion: "1", Clock: "spindle-on hours",
	CountingUnit: "one primary failure per repair", Confidence: 0.9, Spindles: 1234, Intervals: 5678, Remarks: []string{
		"two customers are silent",
		"70 % of the spindles still running (2025 of 12890) have no reading since they were shipped: they add no hours",
	},
}

func estimate(value, low, high float64) *reliabilityv1.Estimate {
	return &reliabilityv1.Estimate{Value: &value, Low: &low, High: &high}
}

func (o *oracle) QueryFailureModes(_ context.Context, req *reliabilityv1.QueryFailureModesRequest) (*reliabilityv1.QueryFailureModesResponse, error) {
	o.asked = req.Question
	return &reliabilityv1.QueryFailureModesResponse{Basis: oracleBasis, Groups: []*reliabilityv1.ModeGroup{{
		Key: []string{"harrow-mills"}, Failures: 1200, FailuresInExposure: 900, ExposureHours: 1234567.8, Customers: 1,
		Modes: []*reliabilityv1.ModeRow{
			{Mode: "vibration", Count: 1197, Share: estimate(0.9975, 0.99, 0.999), CountInExposure: 899, RatePer_10000Hours: estimate(7.28, 6.9, 7.7)},
			{Mode: "seizure", Count: 3, Share: &reliabilityv1.Estimate{Remark: "too few to say"}, CountInExposure: 1,
				RatePer_10000Hours: &reliabilityv1.Estimate{Value: proto.Float64(0.008), Low: proto.Float64(0.001), High: proto.Float64(0.038), Remark: "indicative"}},
		},
	}}}, nil
}

func (o *oracle) QueryMtbr(_ context.Context, req *reliabilityv1.QueryMtbrRequest) (*reliabilityv1.QueryMtbrResponse, error) {
	o.asked = req.Question
	return &reliabilityv1.QueryMtbrResponse{Basis: oracleBasis, Rows: []*reliabilityv1.MtbrRow{
		{Key: []string{"harrow-mills", "cv-8"}, MtbrHours: estimate(6445.4, 6012, 6910), Repairs: 803, StillRunning: 310, Silent: 4, ExposureHours: 5119078, Spindles: 330, Customers: 1, HoursUnknown: 7},
		{Key: []string{"marlpit", "tarn-30"}, MtbrHours: &reliabilityv1.Estimate{Low: proto.Float64(1694), Remark: "no repair: lower limit only"}, StillRunning: 2, ExposureHours: 5075, Spindles: 2, Customers: 1},
	}}, nil
}

func askOracle(t *testing.T, args ...string) (o *oracle, code int, out, complaints string) {
	t.Helper()
	o = &oracle{}
	server := grpc.NewServer()
	reliabilityv1.RegisterReliabilityServiceServer(server, o)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	var printed, said bytes.Buffer
	code = execute(t.Context(), append(append([]string{"query"}, args...), "--to", listener.Addr().String(), "--token", "anything"),
		IO{Out: &printed, Err: &said, Getenv: func(string) string { return "" }})
	server.Stop()
	// A refused command line may stop the server before it has begun to serve.
	if err := <-done; err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		t.Error(err)
	}
	return o, code, printed.String(), said.String()
}

func TestQueryPrintsModes(t *testing.T) {
	o, code, out, _ := askOracle(t, "modes", "--filter", `drive = "belt"`, "--by", "customer", "--confidence", "0.9")
	want := strings.TrimPrefix(`
failure mode           count    share    90 % limits  followed          rate   90 % limits
customer harrow-mills               %              %            per 10,000 h  per 10,000 h
vibration              1,197     99.8   99.0 .. 99.9       899         7.280  6.900 .. 7.700
seizure                    3    - (1)              -         1     0.008 (2)  0.001 .. 0.038
all                    1,200                               900
  (1) too few to say
  (2) indicative
`, "\n")
	if code != exitDone || !sameTable(out, want) {
		t.Errorf("code %d, printed\n%s\nwant\n%s", code, out, want)
	}
	for _, basis := range []string{
		"followed: failures that ended an observed interval, on 1,234,568 spindle-on hours\n",
		"rests on 1,234 spindles and 5,678 intervals; events applied: access 12, intake 77\nmethod: 1\ntwo customers are silent\n" +
			"70 % of the spindles still running (2,025 of 12,890) have no reading since they were shipped: they\nadd no hours\n",
	} {
		if !strings.Contains(out, basis) {
			t.Errorf("lacks %q", basis)
		}
	}
	if o.asked.Filter != `drive = "belt"` || o.asked.Confidence != 0.9 || strings.Join(o.asked.GroupBy, " ") != "customer" {
		t.Errorf("asked %v", o.asked)
	}
}

func TestQueryPrintsMTBR(t *testing.T) {
	o, code, out, _ := askOracle(t, "mtbr", "--by", "customer,model")
	want := strings.TrimPrefix(`
customer      model     MTBR     90 % limits  repairs  running  silent   exposure  spindles  no hours
                           h               h                                    h
harrow-mills  cv-8     6,445  6,012 .. 6,910      803      310       4  5,119,078       330         7
marlpit       tarn-30  - (1)     above 1,694        0        2       0      5,075         2         0
  (1) no repair: lower limit only
`, "\n")
	if code != exitDone || !sameTable(out, want) {
		t.Errorf("code %d, printed\n%s\nwant\n%s", code, out, want)
	}
	if strings.Join(o.asked.GroupBy, " ") != "customer model" {
		t.Errorf("asked %v", o.asked)
	}
}

// sameTable compares the words and figures of the first lines; widths are free.
func sameTable(got, want string) bool {
	g, w := strings.Split(got, "\n"), strings.Split(strings.TrimSuffix(want, "\n"), "\n")
	for i := range w {
		if i >= len(g) || strings.Join(strings.Fields(g[i]), " ") != strings.Join(strings.Fields(w[i]), " ") {
			return false
		}
	}
	return true
}

func TestQueryPrintsJSON(t *testing.T) {
	_, code, out, _ := askOracle(t, "mtbr", "--json")
	var got struct {
		Rows []struct {
			Key       []string
			MtbrHours struct{ Value, Low, High *float64 }
			Repairs   string
		}
		Basis struct{ DataVersion map[string]string }
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != exitDone {
		t.Fatalf("code %d, %v in %s", code, err, out)
	}
	if len(got.Rows) != 2 || got.Rows[0].Repairs != "803" || got.Rows[1].MtbrHours.Value != nil || got.Basis.DataVersion["intake"] != "77" {
		t.Errorf("answer is %+v", got)
	}
}

func TestQueryRefusesNonsense(t *testing.T) {
	_, code, _, said := askOracle(t, "modes", "--confidence", "95")
	if code != exitUsage || !strings.Contains(said, "--confidence is 95, must be above 0 and below 1") {
		t.Errorf("code %d, said %q", code, said)
	}
	_, code, _, said = askOracle(t, "spindle", "a/b")
	if code != exitUsage || !strings.Contains(said, "must be an id or MAKER/MODEL/SERIAL") {
		t.Errorf("code %d, said %q", code, said)
	}
}

func TestQueryKeepsCustomersWhereTheyAreNotTheGroups(t *testing.T) {
	_, _, out, _ := askOracle(t, "mtbr", "--by", "maker,model")
	if !strings.Contains(out, "customers") {
		t.Errorf("lacks the customers:\n%s", out)
	}
	_, _, out, _ = askOracle(t, "modes", "--by", "model")
	if !strings.Contains(out, "on 1,234,568 spindle-on hours of 1 customer\n") {
		t.Errorf("lacks the customer:\n%s", out)
	}
}

func TestQuerySpindleTakesAnIDOrANamePlate(t *testing.T) {
	_, code, _, said := askOracle(t, "spindle", "77-10")
	if code != exitUsage || !strings.Contains(said, `the spindle is "77-10", must be an id or MAKER/MODEL/SERIAL`) {
		t.Errorf("code %d, said %q", code, said)
	}
}

func TestQueryWithoutATokenSaysWhoMayAsk(t *testing.T) {
	for _, question := range []string{"modes", "mtbr", "spindle x"} {
		var said bytes.Buffer
		code := execute(t.Context(), append([]string{"query"}, strings.Fields(question)...),
			IO{Out: io.Discard, Err: &said, Getenv: func(string) string { return "" }})
		if code != exitUsage || !strings.Contains(said.String(), "wright token issue") ||
			!strings.Contains(said.String(), "technician, quality, lead, steward, engineer or integrator") {
			t.Errorf("%s: code %d, said %q", question, code, said.String())
		}
	}
	// The roles named are those that the contract allows.
	for _, m := range []string{"QueryFailureModes", "QueryMtbr", "GetSpindleHistory"} {
		method := reliabilityv1.File_spindlewright_reliability_v1_reliability_service_proto.Services().ByName("ReliabilityService").Methods().ByName(protoreflect.Name(m))
		rule := proto.GetExtension(method.Options(), accessv1.E_Rule).(*accessv1.Rule)
		var names []string
		for _, r := range rule.Allow {
			names = append(names, access.RoleName(r))
		}
		last := len(names) - 1
		if got := strings.Join(names[:last], ", ") + " or " + names[last]; got != whoMayAsk {
			t.Errorf("%s may be asked by %s", m, got)
		}
	}
}

func TestSentencesWriteNumbersAsTablesDo(t *testing.T) {
	for text, want := range map[string]string{
		"2025 of 12890 spindles":           "2,025 of 12,890 spindles",
		"(1000000)":                        "(1,000,000)",
		"until 2026-06-30, per 10,000 h":   "until 2026-06-30, per 10,000 h",
		"999 h, 12345.5 h, CV 8, R123456":  "999 h, 12345.5 h, CV 8, R123456",
		"50 % of 4000: of them 1200 % odd": "50 % of 4,000: of them 1,200 % odd",
	} {
		if got := separated(text); got != want {
			t.Errorf("%q is written %q, want %q", text, got, want)
		}
	}
	for n, want := range map[int64]string{0: "0 repairs", 1: "1 repair", 1200: "1,200 repairs"} {
		if got := counted(n, "repair"); got != want {
			t.Errorf("%d is written %q", n, got)
		}
	}
	for v, want := range map[float64]string{0: "0", 0.4: "0", 87.6: "88", 6445.4: "6,445", 12344.9: "12,340", 9999.7: "10,000", 1234567: "1,235,000"} {
		if got := life(v); got != want {
			t.Errorf("%g h between repairs are written %q, want %q", v, got, want)
		}
	}
}

func TestGroupedDigits(t *testing.T) {
	for n, want := range map[int64]string{0: "0", 7: "7", 999: "999", 1000: "1,000", -1234567: "-1,234,567", 100000: "100,000"} {
		if got := grouped(n); got != want {
			t.Errorf("%d is written %s, want %s", n, got, want)
		}
	}
}
