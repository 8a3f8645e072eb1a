package access

import (
	"fmt"
	"net/mail"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// checkEtag holds an update to the version that its caller read (AIP-154).
func checkEtag(path, given string, revision int64) error {
	if given == "" {
		return fault.InvalidField(path, "is empty; give the etag of the version that was read")
	}
	if given != etag(revision) {
		e := fault.Newf(codes.Aborted, faultv1.Reason_REASON_ETAG_MISMATCH,
			"%s is %q but the present version is %q; read it again and repeat the change on it", path, given, etag(revision))
		return e
	}
	return nil
}

// checkMask holds an update mask to the paths that may change.
func checkMask(mask *fieldmaskpb.FieldMask, allowed ...string) error {
	if len(mask.GetPaths()) == 0 {
		return fault.InvalidField("update_mask", "is empty; name what changes: %s", strings.Join(allowed, ", "))
	}
	for _, p := range mask.GetPaths() {
		if !slices.Contains(allowed, p) {
			return fault.InvalidField("update_mask", "names %q, which cannot be changed; it may name %s", p, strings.Join(allowed, ", "))
		}
	}
	return nil
}

func otherShop(path string) error {
	e := fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_OTHER_SHOP, "%s is not your shop; a lead acts for the own shop only", path)
	e.Fields = []fault.Field{{Path: path, Problem: "is not your shop"}}
	return e
}

func precondition(path, format string, args ...any) error {
	e := fault.InvalidField(path, format, args...)
	e.Code = codes.FailedPrecondition
	return e
}

// checkText refuses what a person could not have meant to type, and what one
// of the SQL engines does not take.
func checkText(path, s string, least, most int) []fault.Field {
	var problem string
	switch n := len([]rune(s)); {
	case strings.TrimSpace(s) != s:
		problem = "begins or ends with a space; leave it out"
	case n < least:
		problem = "is empty"
	case n > most:
		problem = fmt.Sprintf("has %d characters; at most %d fit", n, most)
	case strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }):
		problem = "holds a control character; write it on one line"
	default:
		return nil
	}
	return []fault.Field{{Path: path, Problem: problem}}
}

// checkMail takes an empty address, or one that could receive mail.
func checkMail(path, address string) []fault.Field {
	if wrong := checkText(path, address, 0, 200); wrong != nil || address == "" {
		return wrong
	}
	if parsed, err := mail.ParseAddress(address); err != nil || parsed.Address != address {
		return []fault.Field{{Path: path, Problem: fmt.Sprintf("is %q, not a mail address such as ada@example.org", address)}}
	}
	return nil
}

// checkZone refuses what is no IANA time zone.
func checkZone(path, zone string) []fault.Field {
	if _, err := time.LoadLocation(zone); err != nil || zone == "" || zone == "Local" {
		return []fault.Field{{Path: path, Problem: fmt.Sprintf("is %q, not an IANA time zone such as Europe/Berlin or America/Chicago", zone)}}
	}
	return nil
}

func invalid(fields []fault.Field) error {
	if len(fields) == 0 {
		return nil
	}
	return fault.Invalid(fields...)
}
