package reliability

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"github.com/google/uuid"
)

// A spindle's facts are kept packed, about 40 bytes each: a format byte, then
// each fact as kind, mask of the fields that follow, and those fields. Whole
// seconds and readings in tenths of an hour, which nearly all are, take fewer
// bytes; others are kept exactly as well.
const factsFormat = 1

var errPacked = errors.New("the packed facts of a spindle cannot be read")

// Bits of the mask, in the order of the fields.
const (
	hasRevision = 1 << iota
	hasHours
	hasShop
	hasCustomer
	hasModel
	isPreventive
	hasReason
	hasWarranty
	isPrimary
	hasComponent
	hasMode
	hasMechanism
	hasCause
	hasFindingID
	hasReplaces
	hasOutcome
	hasLeft
)

// packFacts is the stored form of facts, which are in the order byName.
func packFacts(facts []fact) []byte {
	out := make([]byte, 1, 1+48*len(facts))
	out[0] = factsFormat
	for i := range facts {
		out = packFact(out, &facts[i])
	}
	return out
}

func packFact(out []byte, f *fact) []byte {
	mask := maskOf(f)
	out = append(out, byte(f.kind))
	out = binary.AppendUvarint(out, mask)
	out = packName(out, f.entity)
	out = packTime(out, f.at)
	out = packTime(out, f.recorded)
	if mask&hasRevision != 0 {
		out = binary.AppendVarint(out, f.revision)
	}
	if mask&hasHours != 0 {
		out = packHours(out, f.hours)
	}
	for _, n := range f.numbers() {
		if mask&n.bit != 0 {
			out = binary.AppendUvarint(out, uint64(*n.at))
		}
	}
	for _, s := range f.names() {
		if mask&s.bit != 0 {
			out = packName(out, *s.at)
		}
	}
	if mask&hasOutcome != 0 {
		out = append(out, byte(f.outcome))
	}
	if mask&hasLeft != 0 {
		out = packTime(out, f.left)
	}
	return out
}

type numberField struct {
	bit uint64
	at  *number
}

type nameField struct {
	bit uint64
	at  *string
}

func (f *fact) numbers() [8]numberField {
	return [8]numberField{{hasShop, &f.shop}, {hasCustomer, &f.customer}, {hasModel, &f.model}, {hasReason, &f.reason},
		{hasComponent, &f.component}, {hasMode, &f.mode}, {hasMechanism, &f.mechanism}, {hasCause, &f.cause}}
}

func (f *fact) names() [3]nameField {
	return [3]nameField{{hasWarranty, &f.warrantyOf}, {hasFindingID, &f.findingID}, {hasReplaces, &f.replaces}}
}

func maskOf(f *fact) uint64 {
	var mask uint64
	set := func(bit uint64, on bool) {
		if on {
			mask |= bit
		}
	}
	set(hasRevision, f.revision != 0)
	set(hasHours, f.hasHours)
	set(isPreventive, f.preventive)
	set(isPrimary, f.primary)
	set(hasOutcome, f.outcome != outcomeOpen)
	set(hasLeft, f.left != 0)
	for _, n := range f.numbers() {
		set(n.bit, *n.at != 0)
	}
	for _, s := range f.names() {
		set(s.bit, *s.at != "")
	}
	return mask
}

// packName writes 0 and the 16 bytes of a UUID in its usual spelling, or the
// length plus one and the bytes.
func packName(out []byte, s string) []byte {
	if len(s) == 36 {
		if u, err := uuid.Parse(s); err == nil && u.String() == s {
			return append(append(out, 0), u[:]...)
		}
	}
	out = binary.AppendUvarint(out, uint64(len(s))+1)
	return append(out, s...)
}

const second = 1_000_000

// packTime writes whole seconds doubled, or microseconds doubled plus one.
func packTime(out []byte, us int64) []byte {
	if us%second == 0 {
		return binary.AppendVarint(out, us/second*2)
	}
	return binary.AppendVarint(out, us*2+1)
}

// packHours writes tenths doubled plus one, or 0 and the float.
func packHours(out []byte, h float64) []byte {
	if tenths := math.Round(h * 10); tenths >= 0 && tenths < 1<<40 && tenths/10 == h {
		return binary.AppendUvarint(out, uint64(tenths)*2+1)
	}
	return binary.LittleEndian.AppendUint64(append(out, 0), math.Float64bits(h))
}

// unpackFacts is the inverse of packFacts. It appends to facts.
func unpackFacts(packed []byte, facts []fact) ([]fact, error) {
	if len(packed) == 0 {
		return facts, nil
	}
	if packed[0] != factsFormat {
		return nil, fmt.Errorf("%w: format %d is not known", errPacked, packed[0])
	}
	r := reader{rest: packed[1:]}
	for len(r.rest) > 0 {
		f := r.fact()
		if r.broken {
			return nil, fmt.Errorf("%w: %d bytes from the end", errPacked, len(r.rest))
		}
		facts = append(facts, f)
	}
	return facts, nil
}

// reader takes packed values from the front; once broken it gives zeros.
type reader struct {
	rest   []byte
	broken bool
}

func (r *reader) fact() fact {
	var f fact
	f.kind = kind(r.byte())
	mask := r.uvarint()
	f.entity = r.name()
	f.at = r.time()
	f.recorded = r.time()
	if mask&hasRevision != 0 {
		f.revision = r.varint()
	}
	if f.hasHours = mask&hasHours != 0; f.hasHours {
		f.hours = r.hours()
	}
	for _, n := range f.numbers() {
		if mask&n.bit != 0 {
			*n.at = number(r.uvarint())
		}
	}
	for _, s := range f.names() {
		if mask&s.bit != 0 {
			*s.at = r.name()
		}
	}
	f.preventive, f.primary = mask&isPreventive != 0, mask&isPrimary != 0
	if mask&hasOutcome != 0 {
		f.outcome = outcome(r.byte())
	}
	if mask&hasLeft != 0 {
		f.left = r.time()
	}
	return f
}

func (r *reader) take(n uint64) []byte {
	if r.broken || n > uint64(len(r.rest)) {
		r.broken = true
		return nil
	}
	out := r.rest[:n]
	r.rest = r.rest[n:]
	return out
}

func (r *reader) byte() byte {
	if b := r.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.rest)
	if n <= 0 {
		r.broken = true
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.rest)
	if n <= 0 {
		r.broken = true
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

func (r *reader) name() string {
	n := r.uvarint()
	if n > 0 {
		return string(r.take(n - 1))
	}
	if b := r.take(16); b != nil {
		return uuid.UUID(b).String()
	}
	return ""
}

func (r *reader) time() int64 {
	v := r.varint()
	if v&1 == 0 {
		return v / 2 * second
	}
	return v >> 1
}

func (r *reader) hours() float64 {
	v := r.uvarint()
	if v != 0 {
		return float64(v>>1) / 10
	}
	if b := r.take(8); b != nil {
		return math.Float64frombits(binary.LittleEndian.Uint64(b))
	}
	return 0
}

// packOrdinals is the stored form of the places that a version touched, rising.
func packOrdinals(rising []int64) []byte {
	out := make([]byte, 0, 2*len(rising)+8)
	last := int64(0)
	for _, o := range rising {
		out = binary.AppendUvarint(out, uint64(o-last))
		last = o
	}
	return out
}

func unpackOrdinals(packed []byte, each func(int64)) error {
	r := reader{rest: packed}
	last := int64(0)
	for len(r.rest) > 0 && !r.broken {
		last += int64(r.uvarint())
		if !r.broken {
			each(last)
		}
	}
	if r.broken {
		return fmt.Errorf("%w: list of changed spindles", errPacked)
	}
	return nil
}
