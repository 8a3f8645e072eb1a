package intake

import (
	"context"
	"regexp"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/paging"
)

// codes of customers, models and positions in files, filters and on tags.
var codePattern = regexp.MustCompile(`^[a-z][a-z0-9-]{1,39}$`)

func code(path, text string) error {
	if codePattern.MatchString(text) {
		return nil
	}
	return fault.InvalidField(path, "is %q; give 2 to 40 lower-case letters, digits and hyphens, a letter first: %q", cutText(text), "harrow-mills")
}

// CreateCustomer adds a customer of the network.
func (s *Service) CreateCustomer(ctx context.Context, req *intakev1.CreateCustomerRequest) (*intakev1.Customer, error) {
	if err := checkCustomer(req.GetCustomer()); err != nil {
		return nil, err
	}
	return change(ctx, s, intakev1.IntakeService_CreateCustomer_FullMethodName, req, func(tx *db.Tx) (*intakev1.Customer, error) {
		c := proto.CloneOf(req.Customer)
		c.CustomerId, c.Etag = s.ids.New(), etag(1)
		now := s.later(0)
		if err := insertCustomer(tx, c, now); err != nil {
			if db.IsUnique(err) {
				return nil, exists("customer.code", "a customer with code %q exists already; choose another code", c.Code).WithCause(err)
			}
			return nil, err
		}
		_, err := s.outbox.Append(tx, events.Draft{Tenant: events.Network, EntityType: "customer", EntityID: c.CustomerId, Revision: 1,
			Happened: "recorded", OccurredAt: clock.FromMicros(now), RecordedAt: clock.FromMicros(now),
			Body: &intakev1.CustomerRecorded{CustomerId: c.CustomerId, Code: c.Code, ShopIds: c.ShopIds}})
		return c, err
	})
}

func checkCustomer(c *intakev1.Customer) error {
	if err := first(code("customer.code", c.GetCode()), name("customer.display_name", c.GetDisplayName(), 120)); err != nil {
		return err
	}
	seen := map[string]bool{}
	for _, id := range c.ShopIds {
		if id == "" || len(id) > 64 || seen[id] {
			return fault.InvalidField("customer.shop_ids", "holds an empty, over-long or repeated id; name each shop once")
		}
		seen[id] = true
	}
	return nil
}

// exists refuses a second thing with the same natural key.
func exists(path, format string, args ...any) *fault.Error {
	e := fault.Newf(codes.AlreadyExists, faultv1.Reason_REASON_ALREADY_EXISTS, format, args...)
	e.Fields = []fault.Field{{Path: path, Problem: e.Message}}
	return e
}

// GetCustomer gives a customer within reach.
func (s *Service) GetCustomer(ctx context.Context, req *intakev1.GetCustomerRequest) (*intakev1.Customer, error) {
	q := s.store.Reader(ctx)
	c, err := customerFor(q, access.From(ctx), req.CustomerId)
	return c, err
}

func customerFor(q db.Querier, who access.Principal, id string) (*intakev1.Customer, error) {
	if badText(id) != "" {
		return nil, fault.NotFound("customer", cutText(id))
	}
	sees, err := seesCustomer(q, who, id)
	if err != nil {
		return nil, err
	}
	if sees {
		if c, err := readCustomer(q, id); c != nil || err != nil {
			return c, err
		}
	}
	return nil, fault.NotFound("customer", cutText(id))
}

// ListCustomers lists customers within reach by code.
func (s *Service) ListCustomers(ctx context.Context, req *intakev1.ListCustomersRequest) (*intakev1.ListCustomersResponse, error) {
	r := reachOf(access.From(ctx))
	question := "customers " + r.shop + " " + r.customer
	after, err := paging.Position(req.PageToken, question, 1)
	if err != nil {
		return nil, err
	}
	size := paging.Size(req.PageSize)
	list, err := listCustomers(s.store.Reader(ctx), r, at(after, 0), size+1)
	if err != nil {
		return nil, err
	}
	out := &intakev1.ListCustomersResponse{}
	if len(list) > size {
		list = list[:size]
		out.NextPageToken = paging.Token(question, list[size-1].Code)
	}
	out.Customers = list
	return out, nil
}

// at gives a part of a position, or empty at the beginning.
func at(position []string, i int) string {
	if i < len(position) {
		return position[i]
	}
	return ""
}
