package paging

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// Limits of a list.
const (
	DefaultSize = 100
	MaxSize     = 1000
)

const (
	// version is the first byte of every token, so that its form may change.
	version = 1
	// digestSize is how much of the SHA-256 a token carries: 96 bits tell
	// accidents and other questions apart.
	digestSize = 12
	// maxToken bounds what is decoded.
	maxToken = 2000
)

// Size is the number of rows of a page for the size asked: 0 means DefaultSize.
func Size(asked int32) int {
	if asked <= 0 {
		return DefaultSize
	}
	return min(int(asked), MaxSize)
}

// Token names the place behind the row with this sort key.
func Token(question string, position ...string) string {
	body := encode(position)
	token := append([]byte{version}, digest(question, body)...)
	return base64.RawURLEncoding.EncodeToString(append(token, body...))
}

// Position reads a token that Token made for the same question with a sort key
// of so many parts. An empty token is the beginning: nil.
func Position(token, question string, parts int) ([]string, error) {
	if token == "" {
		return nil, nil
	}
	if len(token) > maxToken {
		return nil, refused()
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(raw) < 1+digestSize || raw[0] != version {
		return nil, refused()
	}
	sum, body := raw[1:1+digestSize], raw[1+digestSize:]
	if !bytes.Equal(sum, digest(question, body)) {
		return nil, refused()
	}
	position, ok := decode(body)
	if !ok || len(position) != parts {
		return nil, refused()
	}
	return position, nil
}

func digest(question string, body []byte) []byte {
	h := sha256.New()
	// Lengths keep question and position apart.
	h.Write(binary.AppendUvarint(nil, uint64(len(question))))
	h.Write([]byte(question))
	h.Write(body)
	return h.Sum(nil)[:digestSize]
}

func encode(position []string) []byte {
	var out []byte
	for _, p := range position {
		out = binary.AppendUvarint(out, uint64(len(p)))
		out = append(out, p...)
	}
	return out
}

func decode(body []byte) (position []string, ok bool) {
	for len(body) > 0 {
		size, n := binary.Uvarint(body)
		if n <= 0 || size > uint64(len(body)-n) {
			return nil, false
		}
		body = body[n:]
		position = append(position, string(body[:size]))
		body = body[size:]
	}
	return position, true
}

func refused() error {
	e := fault.Newf(codes.InvalidArgument, faultv1.Reason_REASON_BAD_PAGE_TOKEN,
		"page_token does not belong to this question; send the next_page_token of the answer before, with everything else as it was, or leave it empty to begin again")
	e.Fields = []fault.Field{{Path: "page_token", Problem: "does not belong to this question; leave it empty to begin again"}}
	return e
}
