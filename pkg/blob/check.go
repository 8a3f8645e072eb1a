package blob

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
)

// MismatchError says that bytes are not what was stated of them.
type MismatchError struct {
	// Field is "size" or "sha256".
	Field, Want, Got string
}

func (e *MismatchError) Error() string {
	return fmt.Sprintf("blob: %s is %s, stated was %s", e.Field, e.Got, e.Want)
}

// copyChecked copies all of r and refuses when size or digest are not as
// stated. It never reads more than one byte beyond the stated size.
func copyChecked(w io.Writer, r io.Reader, size int64, digest string) error {
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(w, sum), io.LimitReader(r, size))
	if err != nil {
		return fmt.Errorf("blob: after %d of %d bytes: %w", n, size, err)
	}
	if n < size {
		return &MismatchError{Field: "size", Want: fmt.Sprint(size), Got: fmt.Sprint(n)}
	}
	if more, err := hasMore(r); err != nil {
		return fmt.Errorf("blob: after %d bytes: %w", n, err)
	} else if more {
		return &MismatchError{Field: "size", Want: fmt.Sprint(size), Got: "more than that"}
	}
	return compare(sum, digest)
}

// hasMore tells whether r has more bytes.
func hasMore(r io.Reader) (more bool, err error) {
	var one [1]byte
	n, err := io.ReadFull(r, one[:])
	if err == io.EOF {
		err = nil
	}
	return n > 0, err
}

func compare(sum hash.Hash, digest string) error {
	if got := hex.EncodeToString(sum.Sum(nil)); got != digest {
		return &MismatchError{Field: "sha256", Want: digest, Got: got}
	}
	return nil
}

// checkedReader compares the digest when the bytes end.
type checkedReader struct {
	io.ReadCloser
	sum    hash.Hash
	digest string
}

func newCheckedReader(r io.ReadCloser, digest string) *checkedReader {
	return &checkedReader{ReadCloser: r, sum: sha256.New(), digest: digest}
}

func (c *checkedReader) Read(p []byte) (int, error) {
	n, err := c.ReadCloser.Read(p)
	c.sum.Write(p[:n])
	if err != io.EOF {
		return n, err
	}
	if bad := compare(c.sum, c.digest); bad != nil {
		return n, bad
	}
	return n, io.EOF
}
