package walk

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/google/uuid"

	"spindlewright/integration/fleet"
	"spindlewright/integration/scenario"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// world is a running installation with things in its first shop and callers
// of every kind.
type world struct {
	site      scenario.Site
	cast      *scenario.Cast
	byRole    map[accessv1.Role]string // tokens of the first shop and customer
	elsewhere map[accessv1.Role]string // tokens of another shop and customer
	secrets   map[string]string
	order     *intakev1.WorkOrder
	evidence  string
	person    string
	tokenID   string
	customer  string
}

func (w *world) conn(m protoreflect.MethodDescriptor) grpc.ClientConnInterface {
	switch m.ParentFile().Package() {
	case "spindlewright.access.v1":
		return w.site.Conn("access")
	case "spindlewright.reliability.v1":
		return w.site.Conn("reliability")
	}
	return w.site.Conn("intake")
}

func open(t *testing.T) *world {
	t.Helper()
	site := fleet.StartInside(t, "").Site
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	cast, err := site.SetUp(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := site.Play(ctx, cast); err != nil {
		t.Fatal(err)
	}
	w := &world{site: site, cast: cast, byRole: map[accessv1.Role]string{}, elsewhere: map[accessv1.Role]string{}}
	w.people(ctx, t)
	w.things(ctx, t)
	return w
}

// people makes one caller of every role in the first shop, and one elsewhere.
func (w *world) people(ctx context.Context, t *testing.T) {
	t.Helper()
	here, there := w.cast.Shops[0].ID, w.cast.Shops[1].ID
	w.customer = w.cast.Customers["dunmore-gears"]
	other := w.cast.Customers["ostrava-moulds"]
	for role := accessv1.Role_ROLE_TECHNICIAN; role <= accessv1.Role_ROLE_OPERATOR; role++ {
		p := &accessv1.Person{DisplayName: "walker " + role.String(), Roles: []accessv1.Role{role}}
		q := &accessv1.Person{DisplayName: "stranger " + role.String(), Roles: []accessv1.Role{role}}
		switch role {
		case accessv1.Role_ROLE_TECHNICIAN, accessv1.Role_ROLE_STORES, accessv1.Role_ROLE_QUALITY, accessv1.Role_ROLE_LEAD:
			p.ShopId, q.ShopId = here, there
		case accessv1.Role_ROLE_INTEGRATOR:
			p.CustomerId, q.CustomerId = w.customer, other
		default:
			q = nil
		}
		var id string
		id, w.byRole[role], _ = w.token(ctx, t, p)
		if role == accessv1.Role_ROLE_TECHNICIAN {
			w.person = id
			_, _, w.tokenID = w.token(ctx, t, &accessv1.Person{DisplayName: "spare", Roles: p.Roles, ShopId: here})
		}
		if q != nil {
			_, w.elsewhere[role], _ = w.token(ctx, t, q)
		}
	}
}

func (w *world) token(ctx context.Context, t *testing.T, p *accessv1.Person) (id, token, tokenID string) {
	t.Helper()
	ctx = scenario.As(ctx, w.site.OperatorToken)
	api := accessv1.NewAccessServiceClient(w.site.Conn("access"))
	made, err := api.CreatePerson(ctx, &accessv1.CreatePersonRequest{RequestId: uuid.NewString(), Person: p})
	if err != nil {
		t.Fatal(err)
	}
	issued, err := api.IssueToken(ctx, &accessv1.IssueTokenRequest{RequestId: uuid.NewString(), PersonId: made.PersonId})
	if err != nil {
		t.Fatal(err)
	}
	return made.PersonId, issued.Token, issued.TokenId
}

// things picks an order of the first shop and notes what must not be seen elsewhere.
func (w *world) things(ctx context.Context, t *testing.T) {
	t.Helper()
	lead := scenario.As(ctx, w.byRole[accessv1.Role_ROLE_LEAD])
	api := intakev1.NewIntakeServiceClient(w.site.Conn("intake"))
	list, err := api.ListWorkOrders(lead, &intakev1.ListWorkOrdersRequest{Filter: `stage = "shipped"`})
	if err != nil || len(list.WorkOrders) == 0 {
		t.Fatalf("no shipped order in the first shop: %v", err)
	}
	w.order, err = api.GetWorkOrder(lead, &intakev1.GetWorkOrderRequest{WorkOrderId: list.WorkOrders[0].WorkOrderId})
	if err != nil || len(w.order.Evidence) == 0 {
		t.Fatalf("order: %v", err)
	}
	w.evidence = w.order.Evidence[0].EvidenceId
	w.secrets = map[string]string{
		"an order number": w.order.Number, "a symptom": w.order.Symptoms, "a customer": "dunmore-gears",
		"evidence": w.evidence, "a person": "walker",
	}
}

var belongsToNobody = map[string]string{
	"spindlewright.access.v1.AccessService.GetJwks":            "public keys, open to anybody",
	"spindlewright.access.v1.AccessService.WhoAmI":             "answers about the caller only",
	"spindlewright.access.v1.AccessService.CreateShop":         "operators only",
	"spindlewright.access.v1.AccessService.GetShop":            "shops are known to the whole network",
	"spindlewright.access.v1.AccessService.ListShops":          "shops are known to the whole network",
	"spindlewright.access.v1.AccessService.ErasePerson":        "operators only",
	"spindlewright.access.v1.AccessService.RotateSigningKey":   "operators only",
	"spindlewright.intake.v1.IntakeService.CreateCustomer":     "stewards only",
	"spindlewright.intake.v1.IntakeService.CreateSpindleModel": "stewards only",
	"spindlewright.intake.v1.IntakeService.GetSpindleModel":    "models belong to the network",
	"spindlewright.intake.v1.IntakeService.ListSpindleModels":  "models belong to the network",
	"spindlewright.intake.v1.IntakeService.ListVocabularies":   "vocabularies belong to the network",
	"spindlewright.intake.v1.IntakeService.ListStages":         "stages belong to the network",
	"spindlewright.upkeep.v1.UpkeepService.ReadOutbox":         "internal only",
	"spindlewright.upkeep.v1.UpkeepService.GetState":           "operators only",
	"spindlewright.upkeep.v1.UpkeepService.ListParkedEvents":   "operators only",
	"spindlewright.upkeep.v1.UpkeepService.RetryParkedEvent":   "operators only",
	"spindlewright.upkeep.v1.UpkeepService.SkipParkedEvent":    "operators only",
	"spindlewright.upkeep.v1.UpkeepService.Replay":             "operators only",
	"spindlewright.upkeep.v1.UpkeepService.BeginEpoch":         "operators only",
	"spindlewright.upkeep.v1.UpkeepService.ListAudit":          "operators only",
}

// requests names things of the first shop and its customer, by RPC.
func (w *world) requests() map[string]func() proto.Message {
	shop, wo := w.cast.Shops[0].ID, w.order
	now := timestamppb.New(time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC))
	id := uuid.NewString
	hours := 9000.0
	const access, intake, rel = "spindlewright.access.v1.AccessService.", "spindlewright.intake.v1.IntakeService.", "spindlewright.reliability.v1.ReliabilityService."
	return map[string]func() proto.Message{
		access + "UpdateShop": func() proto.Message {
			return &accessv1.UpdateShopRequest{RequestId: id(), Shop: &accessv1.Shop{ShopId: shop, Code: "NOR", DisplayName: "Taken", TimeZone: "Europe/Oslo", Etag: "1"},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}}}
		},
		access + "CreatePerson": func() proto.Message {
			return &accessv1.CreatePersonRequest{RequestId: id(), Person: &accessv1.Person{DisplayName: "x", Roles: []accessv1.Role{accessv1.Role_ROLE_TECHNICIAN}, ShopId: shop}}
		},
		access + "GetPerson":  func() proto.Message { return &accessv1.GetPersonRequest{PersonId: w.person} },
		access + "ListPeople": func() proto.Message { return &accessv1.ListPeopleRequest{ShopId: shop, PageSize: 1000} },
		access + "UpdatePerson": func() proto.Message {
			return &accessv1.UpdatePersonRequest{RequestId: id(), Person: &accessv1.Person{PersonId: w.person, Suspended: true, Roles: []accessv1.Role{accessv1.Role_ROLE_TECHNICIAN}, Etag: "1"},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"suspended"}}}
		},
		access + "IssueToken": func() proto.Message { return &accessv1.IssueTokenRequest{RequestId: id(), PersonId: w.person} },
		access + "RevokeToken": func() proto.Message {
			return &accessv1.RevokeTokenRequest{RequestId: id(), TokenId: w.tokenID, Reason: "mine now"}
		},

		intake + "GetCustomer":   func() proto.Message { return &intakev1.GetCustomerRequest{CustomerId: w.customer} },
		intake + "ListCustomers": func() proto.Message { return &intakev1.ListCustomersRequest{PageSize: 1000} },
		intake + "RegisterSpindle": func() proto.Message {
			return &intakev1.RegisterSpindleRequest{RequestId: id(), Spindle: &intakev1.Spindle{ModelId: wo.ModelId, Serial: "NEW-1", CustomerId: w.customer}}
		},
		intake + "GetSpindle": func() proto.Message { return &intakev1.GetSpindleRequest{SpindleId: wo.SpindleId} },
		intake + "FindSpindle": func() proto.Message {
			return &intakev1.FindSpindleRequest{Maker: "Alderwick", Designation: "Heron 18", Serial: "NORA-100"}
		},
		intake + "ReportHours": func() proto.Message {
			return &intakev1.ReportHoursRequest{RequestId: id(), SpindleId: wo.SpindleId, RunningHours: hours, SeenAt: now, Source: "meter"}
		},
		intake + "RetireSpindle": func() proto.Message {
			return &intakev1.RetireSpindleRequest{RequestId: id(), SpindleId: wo.SpindleId, RetiredAt: now, Etag: "1"}
		},
		intake + "ReceiveWorkOrder": func() proto.Message {
			return &intakev1.ReceiveWorkOrderRequest{RequestId: id(), ShopId: shop, SpindleId: wo.SpindleId, ReasonForRemoval: "noise", RemovedAt: now, ReceivedAt: now}
		},
		intake + "CorrectReceipt": func() proto.Message {
			return &intakev1.CorrectReceiptRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, Etag: wo.Etag, ReasonForRemoval: "noise", RemovedAt: now, ReceivedAt: now, Because: "curious"}
		},
		intake + "GetWorkOrder":        func() proto.Message { return &intakev1.GetWorkOrderRequest{WorkOrderId: wo.WorkOrderId} },
		intake + "ListWorkOrders":      func() proto.Message { return &intakev1.ListWorkOrdersRequest{PageSize: 1000} },
		intake + "CountWorkInProgress": func() proto.Message { return &intakev1.CountWorkInProgressRequest{ShopId: shop} },
		intake + "TagParts": func() proto.Message {
			return &intakev1.TagPartsRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, Tags: []*intakev1.Tag{{Position: "shaft", Label: "x"}}}
		},
		intake + "RecordFinding": func() proto.Message {
			return &intakev1.RecordFindingRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, Finding: &intakev1.Finding{Component: "shaft", Mode: "vibration",
				Mechanism: "unknown", Cause: "unknown", Role: "secondary_damage", Severity: "minor"}}
		},
		intake + "GiveEvidence": func() proto.Message {
			return &intakev1.GiveEvidenceRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, Evidence: &intakev1.Evidence{Kind: "photograph", Note: "x"}}
		},
		intake + "CountersignEvidence": func() proto.Message {
			return &intakev1.CountersignEvidenceRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, EvidenceId: w.evidence}
		},
		intake + "MoveStage": func() proto.Message {
			return &intakev1.MoveStageRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, From: wo.Stage, To: "closed", OccurredAt: now}
		},
		intake + "ShipWorkOrder": func() proto.Message {
			return &intakev1.ShipWorkOrderRequest{RequestId: id(), WorkOrderId: wo.WorkOrderId, From: wo.Stage, Outcome: "scrapped", ShippedAt: now}
		},
		intake + "ListTimeline": func() proto.Message { return &intakev1.ListTimelineRequest{WorkOrderId: wo.WorkOrderId} },
		intake + "UploadFile": func() proto.Message {
			return &intakev1.UploadFileRequest{Part: &intakev1.UploadFileRequest_Header{Header: &intakev1.FileHeader{WorkOrderId: wo.WorkOrderId, FileName: "x.png",
				MediaType: "image/png", SizeBytes: 1, Sha256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"}}}
		},
		intake + "DownloadFile": func() proto.Message {
			return &intakev1.DownloadFileRequest{WorkOrderId: wo.WorkOrderId, Sha256: w.photograph()}
		},
		intake + "ImportHistory": func() proto.Message {
			return &intakev1.ImportHistoryRequest{RequestId: id(), ShopId: shop, Rows: []*intakev1.HistoryRow{{Line: 2, Record: "r"}}}
		},
		rel + "QueryFailureModes": func() proto.Message {
			return &reliabilityv1.QueryFailureModesRequest{Question: &reliabilityv1.Question{GroupBy: []string{"customer", "shop"}}}
		},
		rel + "QueryMtbr": func() proto.Message {
			return &reliabilityv1.QueryMtbrRequest{Question: &reliabilityv1.Question{GroupBy: []string{"customer", "shop"}}}
		},
		rel + "GetSpindleHistory": func() proto.Message { return &reliabilityv1.GetSpindleHistoryRequest{SpindleId: wo.SpindleId} },
	}
}

func (w *world) photograph() string {
	for _, e := range w.order.Evidence {
		if e.FileSha256 != "" {
			return e.FileSha256
		}
	}
	return "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
}
