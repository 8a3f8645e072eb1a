package access

import (
	"context"
	"time"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// firstLifetime is how long the token of the first operator lives: it must
// outlast the setting up of an installation.
const firstLifetime = 30 * 24 * time.Hour

// EnsureFirstOperator makes the first operator of a new installation and
// writes a token for it to path, readable by the owner only. It does so once;
// after an interruption it writes the token that is still owed.
func (s *Service) EnsureFirstOperator(ctx context.Context, path string) error {
	owed, err := owesToken(s.store.Reader(ctx))
	if err != nil || !owed {
		return err
	}
	key, err := s.keys.signing(ctx)
	if err != nil {
		return err
	}
	var issued access.Principal
	err = s.store.Write(ctx, func(tx *db.Tx) error {
		issued, err = s.firstOperator(tx)
		return err
	})
	if err != nil || issued.ID == "" {
		return err
	}
	token, err := key.sign(issued)
	if err != nil {
		return err
	}
	if err := access.WriteSecretFile(path, []byte(token+"\n")); err != nil {
		return err
	}
	return s.store.Write(ctx, tokenWritten)
}

// firstOperator makes the person, or finds it, and notes a token. The zero
// Principal says that somebody else was first.
func (s *Service) firstOperator(tx *db.Tx) (access.Principal, error) {
	id, written, err := lockFirstOperator(tx)
	if err != nil || written {
		return access.Principal{}, err
	}
	if id == "" {
		if id, err = s.addFirstOperator(tx); err != nil {
			return access.Principal{}, err
		}
	}
	row, err := lockPerson(tx, id)
	if err != nil {
		return access.Principal{}, err
	}
	return s.issue(tx, row, firstLifetime)
}

// RenewFirstOperator writes a new token to path for whoever holds the host but
// no token: for the first operator, or, when that person can no longer sign in
// as operator, for a new one that takes its place. Nobody signs in for it, so
// only a process that holds the data folder may call it.
func (s *Service) RenewFirstOperator(ctx context.Context, path string) error {
	key, err := s.keys.signing(ctx)
	if err != nil {
		return err
	}
	var issued access.Principal
	err = s.store.Write(ctx, func(tx *db.Tx) error {
		if issued, err = s.operatorAgain(tx); err != nil {
			return err
		}
		return s.audit.Record(tx, access.Entry{What: "operator token renewed on the host", Subject: issued.ID, Detail: "token " + issued.TokenID})
	})
	if err != nil {
		return err
	}
	token, err := key.sign(issued)
	if err != nil {
		return err
	}
	if err := access.WriteSecretFile(path, []byte(token+"\n")); err != nil {
		return err
	}
	return s.store.Write(ctx, tokenWritten)
}

// operatorAgain finds the first operator, or makes one, and notes a token.
func (s *Service) operatorAgain(tx *db.Tx) (access.Principal, error) {
	id, _, err := lockFirstOperator(tx)
	if err != nil {
		return access.Principal{}, err
	}
	if id != "" {
		row, err := lockPerson(tx, id)
		if err != nil {
			return access.Principal{}, err
		}
		if row.canOperate() {
			return s.issue(tx, row, firstLifetime)
		}
	}
	if id, err = s.addFirstOperator(tx); err != nil {
		return access.Principal{}, err
	}
	row, err := lockPerson(tx, id)
	if err != nil {
		return access.Principal{}, err
	}
	return s.issue(tx, row, firstLifetime)
}

func (s *Service) addFirstOperator(tx *db.Tx) (string, error) {
	id := s.ids.New()
	row := person{id: id, name: "First operator", roles: []accessv1.Role{accessv1.Role_ROLE_OPERATOR}}
	if _, err := s.addPerson(tx, row); err != nil {
		return "", err
	}
	return id, setFirstOperator(tx, id)
}
