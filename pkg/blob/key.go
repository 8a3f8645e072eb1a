package blob

import (
	"fmt"
	"strings"
)

// digestLength is the number of hexadecimal digits of a SHA-256.
const digestLength = 64

// maxTenant is far above the length of an id and below any limit of a file name.
const maxTenant = 64

// key joins tenant and digest after checking both.
func key(tenant, sha256 string) (string, error) {
	if err := checkTenant(tenant); err != nil {
		return "", err
	}
	if err := checkDigest(sha256); err != nil {
		return "", err
	}
	return tenant + "/" + sha256, nil
}

// checkTenant allows what ids are made of; a dot or a slash could lead out of
// the tenant's folder.
func checkTenant(tenant string) error {
	if tenant == "" || len(tenant) > maxTenant || tenant[0] == '-' || !only(tenant, "abcdefghijklmnopqrstuvwxyz0123456789-") {
		return &KeyError{Part: "tenant", Value: tenant, Want: fmt.Sprintf("1 to %d of a-z, 0-9 and '-', not starting with '-'", maxTenant)}
	}
	return nil
}

func checkDigest(sha256 string) error {
	if len(sha256) != digestLength || !only(sha256, "0123456789abcdef") {
		return &KeyError{Part: "sha256", Value: sha256, Want: fmt.Sprintf("%d lowercase hexadecimal digits", digestLength)}
	}
	return nil
}

// only tells whether s has no characters but the allowed ones.
func only(s, allowed string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return !strings.ContainsRune(allowed, r) })
}

// KeyError refuses a tenant or a digest.
type KeyError struct {
	Part, Value, Want string
}

func (e *KeyError) Error() string {
	return fmt.Sprintf("blob: %s %q must be %s", e.Part, e.Value, e.Want)
}
