package access

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"strings"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

const (
	defaultPage = 100
	largestPage = 1000
)

func pageSize(asked int32) int {
	if asked <= 0 {
		return defaultPage
	}
	return min(int(asked), largestPage)
}

// place is where a page ended: the key of its last row, bound to the question.
type place struct {
	Question []byte   `json:"q"`
	Key      []string `json:"k"`
}

func question(parts []string) []byte {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return sum[:12]
}

func pageAfter(key []string, asked ...string) string {
	raw, err := json.Marshal(place{question(asked), key})
	if err != nil { // strings and bytes always marshal
		return ""
	}
	return base64.RawURLEncoding.EncodeToString(raw)
}

// openPage gives the key to go on after; empty strings for the first page. The
// token is no secret and gives no reach: whatever stands in it, the query
// still narrows to what the caller may see.
func openPage(token string, keyParts int, asked ...string) ([]string, error) {
	if token == "" {
		return make([]string, keyParts), nil
	}
	var p place
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || json.Unmarshal(raw, &p) != nil || len(p.Key) != keyParts || string(p.Question) != string(question(asked)) {
		return nil, fault.InvalidField("page_token", "is not one that this question gave; ask for the first page with an empty one").
			WithReason(faultv1.Reason_REASON_BAD_PAGE_TOKEN)
	}
	return p.Key, nil
}
