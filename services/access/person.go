package access

import (
	"slices"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// person is a row of the person table.
type person struct {
	id, name, mail     string
	roles              []accessv1.Role
	shop, customer     string
	suspended, erased  bool
	created            int64
	voided, lastIssued int64
	revision, recorded int64
}

// message is the person without personal data: what may be kept as an answer.
func (p person) message() *accessv1.Person {
	return &accessv1.Person{PersonId: p.id, Roles: p.roles, ShopId: p.shop, CustomerId: p.customer,
		Suspended: p.suspended, Erased: p.erased, Etag: etag(p.revision)}
}

// whole is the person with personal data, for an answer that is not kept.
func (p person) whole() *accessv1.Person {
	m := p.message()
	m.DisplayName, m.Mail = p.name, p.mail
	return m
}

func (p person) tenant() string {
	if p.shop != "" {
		return p.shop
	}
	return events.Network
}

func (p person) active() bool { return !p.suspended && !p.erased }

func (p person) has(r accessv1.Role) bool { return slices.Contains(p.roles, r) }

func (p person) check() error {
	var wrong []fault.Field
	wrong = append(wrong, checkText("person.display_name", p.name, 0, 120)...)
	wrong = append(wrong, checkMail("person.mail", p.mail)...)
	for _, w := range access.CheckScope(p.roles, p.shop, p.customer) {
		wrong = append(wrong, fault.Field{Path: "person." + w.Field, Problem: w.Problem})
	}
	return invalid(wrong)
}

// underLead are the roles that a lead may give and look after.
var underLead = []accessv1.Role{accessv1.Role_ROLE_TECHNICIAN, accessv1.Role_ROLE_STORES, accessv1.Role_ROLE_QUALITY}

// mayGive says whether the caller may give somebody the roles.
func mayGive(who access.Principal, path string, roles []accessv1.Role) error {
	if who.Has(accessv1.Role_ROLE_OPERATOR) {
		return nil
	}
	for _, r := range roles {
		if !slices.Contains(underLead, r) {
			e := fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_ROLE_NOT_ALLOWED,
				"%s: a lead looks after %s and nobody above; ask an operator for %s", path, access.RoleNames(underLead), access.RoleName(r))
			e.Fields = []fault.Field{{Path: path, Problem: "holds a role above what a lead may give"}}
			return e
		}
	}
	return nil
}

// sees says whether a person is within the caller's reach: anybody for an
// operator, the own shop for a lead.
func sees(who access.Principal, p person) error {
	if !who.InShop(p.shop) {
		return fault.NotFound("person", p.id)
	}
	return nil
}

// mayChange says whether the caller may change a person.
func mayChange(who access.Principal, path string, p person) error {
	if err := sees(who, p); err != nil {
		return err
	}
	if err := mayGive(who, path, p.roles); err != nil {
		return err
	}
	if p.erased {
		return precondition(path, "names a person who was erased, which cannot be undone; make a new person")
	}
	return nil
}

// loses reports whether the person may do less after a change than before.
func (p person) loses(after person) bool {
	if p.active() && !after.active() {
		return true
	}
	return slices.ContainsFunc(p.roles, func(r accessv1.Role) bool { return !after.has(r) })
}

// canOperate reports whether the person can sign in as operator.
func (p person) canOperate() bool { return p.active() && p.has(accessv1.Role_ROLE_OPERATOR) }

// roleBits and rolesOf translate roles to and from their column.
func roleBits(roles []accessv1.Role) (bits int64) {
	for _, r := range roles {
		bits |= 1 << r
	}
	return bits
}

func rolesOf(bits int64) (roles []accessv1.Role) {
	for r := range accessv1.Role(len(accessv1.Role_name)) {
		if bits&(1<<r) != 0 {
			roles = append(roles, r)
		}
	}
	return roles
}
