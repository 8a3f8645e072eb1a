package upkeep

import (
	"context"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// ListAudit lists denials, overrides and decisions of a service, newest first.
func (s *Server) ListAudit(ctx context.Context, req *upkeepv1.ListAuditRequest) (*upkeepv1.ListAuditResponse, error) {
	h, err := s.find(req.GetService())
	if err != nil {
		return nil, err
	}
	before, err := auditToken(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	list, next, err := h.Audit.List(h.Store.Reader(ctx), before, pageSize(req.GetPageSize()))
	if err != nil {
		return nil, err
	}
	answer := &upkeepv1.ListAuditResponse{}
	for _, e := range list {
		answer.Entries = append(answer.Entries, &upkeepv1.AuditEntry{
			At: timestamppb.New(e.At), What: e.What, PrincipalId: e.PrincipalID, Tenant: e.Tenant,
			Method: e.Method, Subject: e.Subject, Detail: e.Detail,
		})
	}
	if next > 0 {
		answer.NextPageToken = strconv.FormatInt(next, 10)
	}
	return answer, nil
}

func auditToken(token string) (before int64, err error) {
	if token == "" {
		return 0, nil
	}
	before, err = strconv.ParseInt(token, 10, 64)
	if err != nil || before < 1 {
		return 0, fault.Newf(codes.InvalidArgument, faultv1.Reason_REASON_BAD_PAGE_TOKEN,
			"the page token is not one of ours: give next_page_token of the last answer, or none")
	}
	return before, nil
}
