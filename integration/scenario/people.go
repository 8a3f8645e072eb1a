package scenario

import (
	"context"
	"crypto/sha256"
	"fmt"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// Site is how the story reaches an installation.
type Site struct {
	// Conn gives a connection to a service, without credentials.
	Conn func(service string) grpc.ClientConnInterface
	// OperatorToken signs the first operator in.
	OperatorToken string
}

func (s Site) access() accessv1.AccessServiceClient {
	return accessv1.NewAccessServiceClient(s.Conn("access"))
}

func (s Site) intake() intakev1.IntakeServiceClient {
	return intakev1.NewIntakeServiceClient(s.Conn("intake"))
}

func (s Site) reliability() reliabilityv1.ReliabilityServiceClient {
	return reliabilityv1.NewReliabilityServiceClient(s.Conn("reliability"))
}

// As puts a token on the calls made with the context.
func As(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// Shop is one branch with the tokens of its people.
type Shop struct {
	ID, Code                   string
	Lead, Technician, Quality  string
	quality, technician, leads string // person ids
}

// Cast is everyone and everything the story set up.
type Cast struct {
	Shops     []Shop
	Steward   string
	Engineer  string
	Operator  string
	Customers map[string]string // code -> id
	Models    map[string]*intakev1.SpindleModel
}

// requestID is the same for the same step of the story, so that a step sent
// twice (after a fault) is one command.
func requestID(step string, args ...any) string {
	sum := sha256.Sum256([]byte(fmt.Sprintf(step, args...)))
	return uuid.NewSHA1(uuid.NameSpaceOID, sum[:]).String()
}

func (s Site) person(ctx context.Context, name string, shopID string, roles ...accessv1.Role) (id, token string, err error) {
	ctx = As(ctx, s.OperatorToken)
	p, err := s.access().CreatePerson(ctx, &accessv1.CreatePersonRequest{
		RequestId: requestID("person %s", name),
		Person:    &accessv1.Person{DisplayName: name, Roles: roles, ShopId: shopID},
	})
	if err != nil {
		return "", "", fmt.Errorf("create %s: %w", name, err)
	}
	issued, err := s.access().IssueToken(ctx, &accessv1.IssueTokenRequest{
		RequestId: uuid.NewString(), PersonId: p.PersonId,
	})
	if err != nil {
		return "", "", fmt.Errorf("token for %s: %w", name, err)
	}
	return p.PersonId, issued.Token, nil
}

// shop opens a branch with its three people.
func (s Site) shop(ctx context.Context, code, name, zone string, fourEyes bool) (Shop, error) {
	made, err := s.access().CreateShop(As(ctx, s.OperatorToken), &accessv1.CreateShopRequest{
		RequestId: requestID("shop %s", code),
		Shop:      &accessv1.Shop{Code: code, DisplayName: name, TimeZone: zone, FourEyes: fourEyes},
	})
	if err != nil {
		return Shop{}, fmt.Errorf("create shop %s: %w", code, err)
	}
	shop := Shop{ID: made.ShopId, Code: code}
	for _, who := range []struct {
		role      accessv1.Role
		id, token *string
	}{
		{accessv1.Role_ROLE_LEAD, &shop.leads, &shop.Lead},
		{accessv1.Role_ROLE_TECHNICIAN, &shop.technician, &shop.Technician},
		{accessv1.Role_ROLE_QUALITY, &shop.quality, &shop.Quality},
	} {
		*who.id, *who.token, err = s.person(ctx, code+" "+who.role.String(), shop.ID, who.role)
		if err != nil {
			return Shop{}, err
		}
	}
	return shop, nil
}
