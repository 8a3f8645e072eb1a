package access

import (
	"context"
	"strconv"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/paging"
)

// CreatePerson adds a person or an integrator.
func (s *Service) CreatePerson(ctx context.Context, req *accessv1.CreatePersonRequest) (*accessv1.Person, error) {
	who, m := access.From(ctx), req.GetPerson()
	row := person{name: m.GetDisplayName(), mail: m.GetMail(), roles: rolesOf(roleBits(m.GetRoles())),
		shop: m.GetShopId(), customer: m.GetCustomerId()}
	if m.GetPersonId() != "" || m.GetEtag() != "" || m.GetSuspended() || m.GetErased() {
		return nil, fault.InvalidField("person", "names person_id, etag, suspended or erased; leave them out of a new person")
	}
	if err := row.check(); err != nil {
		return nil, err
	}
	if err := mayGive(who, "person.roles", row.roles); err != nil {
		return nil, err
	}
	if !who.InShop(row.shop) {
		return nil, otherShop("person.shop_id")
	}
	call := s.call(who, accessv1.AccessService_CreatePerson_FullMethodName, req.GetRequestId(), req)
	kept, err := command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.Person, error) {
		row := row
		if err := shopExists(tx, row.shop); err != nil {
			return nil, err
		}
		row.id = s.ids.New()
		return s.addPerson(tx, row)
	})
	return s.withPersonalData(ctx, kept, err)
}

func (s *Service) addPerson(tx *db.Tx, row person) (*accessv1.Person, error) {
	row.revision, row.recorded = 1, s.later(0)
	row.created = row.recorded
	if err := insertPerson(tx, row); err != nil {
		return nil, err
	}
	return row.message(), s.recordPerson(tx, row)
}

// withPersonalData completes a kept answer, which holds none. On a repeat the
// names are those of now: erased ones stay erased.
func (s *Service) withPersonalData(ctx context.Context, kept *accessv1.Person, err error) (*accessv1.Person, error) {
	if err != nil {
		return nil, err
	}
	row, err := readPerson(s.store.Reader(ctx), kept.GetPersonId(), "")
	if err != nil {
		return nil, err
	}
	whole := row.whole()
	kept.DisplayName, kept.Mail = whole.DisplayName, whole.Mail
	return kept, nil
}

// GetPerson gives a person within the caller's reach.
func (s *Service) GetPerson(ctx context.Context, req *accessv1.GetPersonRequest) (*accessv1.Person, error) {
	row, err := readPerson(s.store.Reader(ctx), req.GetPersonId(), "")
	if err != nil {
		return nil, err
	}
	if err := sees(access.From(ctx), row); err != nil {
		return nil, err
	}
	return row.whole(), nil
}

// ListPeople gives people in the order in which they were added; a lead gets
// the own shop whatever is asked.
func (s *Service) ListPeople(ctx context.Context, req *accessv1.ListPeopleRequest) (*accessv1.ListPeopleResponse, error) {
	who, shop := access.From(ctx), req.GetShopId()
	if !who.Network() {
		shop = who.ShopID
	}
	question := accessv1.AccessService_ListPeople_FullMethodName + " " + shop
	after, err := placeOfPerson(req.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	size := paging.Size(req.GetPageSize())
	rows, err := listPeople(s.store.Reader(ctx), shop, after, size+1)
	if err != nil {
		return nil, err
	}
	out := &accessv1.ListPeopleResponse{}
	if len(rows) > size {
		rows = rows[:size]
		last := rows[size-1]
		out.NextPageToken = paging.Token(question, strconv.FormatInt(last.created, 10), last.id)
	}
	for _, r := range rows {
		out.People = append(out.People, r.whole())
	}
	return out, nil
}

// placeOfPerson is the person behind whom a list goes on; the zero person for
// the first page.
func placeOfPerson(token, question string) (person, error) {
	place, err := paging.Position(token, question, 2)
	if err != nil || place == nil {
		return person{}, err
	}
	created, err := strconv.ParseInt(place[0], 10, 64)
	if err != nil { // made by paging.Token with a digest, but not by us
		return person{}, fault.InvalidField("page_token", "is not one that this list gave; leave it empty to begin again").
			WithReason(faultv1.Reason_REASON_BAD_PAGE_TOKEN)
	}
	return person{created: created, id: place[1]}, nil
}

// UpdatePerson changes name, mail, roles or suspension.
func (s *Service) UpdatePerson(ctx context.Context, req *accessv1.UpdatePersonRequest) (*accessv1.Person, error) {
	who, m := access.From(ctx), req.GetPerson()
	if m.GetPersonId() == "" {
		return nil, fault.InvalidField("person.person_id", "is empty; name the person to change")
	}
	if err := checkMask(req.GetUpdateMask(), "display_name", "mail", "roles", "suspended"); err != nil {
		return nil, err
	}
	call := s.call(who, accessv1.AccessService_UpdatePerson_FullMethodName, req.GetRequestId(), req)
	kept, err := command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.Person, error) {
		return s.changePerson(tx, who, m.GetPersonId(), m.GetEtag(), "person", func(old person) (person, error) {
			return old.changed(who, m, req.GetUpdateMask().GetPaths())
		})
	})
	return s.withPersonalData(ctx, kept, err)
}

// changed is the person after an update. Shop and customer never change, since
// records of the shop name the person: whoever moves becomes a new person.
func (p person) changed(who access.Principal, m *accessv1.Person, paths []string) (person, error) {
	for _, path := range paths {
		switch path {
		case "display_name":
			p.name = m.GetDisplayName()
		case "mail":
			p.mail = m.GetMail()
		case "suspended":
			p.suspended = m.GetSuspended()
		case "roles":
			p.roles = rolesOf(roleBits(m.GetRoles()))
			if err := mayGive(who, "person.roles", p.roles); err != nil {
				return p, err
			}
			if wrong := access.CheckScope(p.roles, p.shop, p.customer); len(wrong) > 0 && wrong[0].Field != "roles" {
				return p, fault.InvalidField("person.roles", "do not fit the person's shop or customer, which cannot change; suspend this person and make a new one")
			}
		}
	}
	return p, p.check()
}

// ErasePerson empties name and mail and voids every token. The id stays.
func (s *Service) ErasePerson(ctx context.Context, req *accessv1.ErasePersonRequest) (*accessv1.Person, error) {
	who := access.From(ctx)
	call := s.call(who, accessv1.AccessService_ErasePerson_FullMethodName, req.GetRequestId(), req)
	return command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.Person, error) {
		answer, err := s.changePerson(tx, who, req.GetPersonId(), req.GetEtag(), "", func(old person) (person, error) {
			old.name, old.mail, old.erased = "", "", true
			return old, nil
		})
		if err != nil {
			return nil, err
		}
		return answer, s.audit.Record(tx, access.Entry{What: "person erased", PrincipalID: who.ID, Tenant: who.Tenant(),
			Method: accessv1.AccessService_ErasePerson_FullMethodName, Subject: req.GetPersonId()})
	})
}

// changePerson changes a person under the rules that all changes share. within
// is the field of the request that holds the person, or empty.
func (s *Service) changePerson(tx *db.Tx, who access.Principal, id, tag, within string, change func(person) (person, error)) (*accessv1.Person, error) {
	if within != "" {
		within += "."
	}
	old, err := lockPerson(tx, id)
	if err != nil {
		return nil, err
	}
	if err := mayChange(who, within+"person_id", old); err != nil {
		return nil, err
	}
	if err := checkEtag(within+"etag", tag, old.revision); err != nil {
		return nil, err
	}
	row, err := change(old)
	if err != nil {
		return nil, err
	}
	if old.canOperate() && !row.canOperate() {
		if err := anotherOperator(tx, id); err != nil {
			return nil, err
		}
	}
	return s.savePerson(tx, old, row)
}

// savePerson writes a changed person with its events: the change, and the end
// of the tokens where the person may do less than before.
func (s *Service) savePerson(tx *db.Tx, old, row person) (*accessv1.Person, error) {
	row.revision, row.recorded = old.revision+1, s.later(old.recorded)
	recorded := row
	var void *accessv1.TokensRevoked
	if old.loses(row) {
		void = row.voidTokens()
	}
	if err := updatePerson(tx, row); err != nil {
		return nil, err
	}
	if err := s.recordPerson(tx, recorded); err != nil {
		return nil, err
	}
	if void != nil {
		if err := s.recordRevoked(tx, row, void); err != nil {
			return nil, err
		}
	}
	return row.message(), nil
}

func (s *Service) recordPerson(tx *db.Tx, row person) error {
	at := clock.FromMicros(row.recorded)
	_, err := s.outbox.Append(tx, events.Draft{
		Tenant: row.tenant(), EntityType: "person", EntityID: row.id, Revision: row.revision, Happened: "recorded",
		OccurredAt: at, RecordedAt: at,
		Body: &accessv1.PersonRecorded{PersonId: row.id, Roles: row.roles, ShopId: row.shop, CustomerId: row.customer,
			Suspended: row.suspended, Erased: row.erased},
	})
	return err
}
