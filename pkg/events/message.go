package events

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
)

// Headers of a published event: the CloudEvents attributes (CloudEvents 1.0,
// NATS binding, binary mode), the W3C trace context, and what a follower needs
// beyond them.
const (
	hdrSpec        = "ce-specversion"
	hdrID          = "ce-id"
	hdrType        = "ce-type"
	hdrSource      = "ce-source"
	hdrTime        = "ce-time"
	hdrSubject     = "ce-subject"
	hdrContent     = "ce-datacontenttype"
	hdrTrace       = "traceparent"
	hdrTenant      = "sw-tenant"
	hdrEntityType  = "sw-entity-type"
	hdrEntity      = "sw-entity"
	hdrRevision    = "sw-revision"
	hdrPosition    = "sw-position"
	hdrEpoch       = "sw-epoch"
	hdrOccurred    = "sw-occurred"
	hdrRecorded    = "sw-recorded"
	hdrReplaces    = "sw-replaces"
	sourcePrefix   = "/spindlewright/"
	contentType    = "application/protobuf"
	timeLayout     = time.RFC3339Nano
	streamSubjects = "spindlewright.v1.*.%s.>"
)

// streamName is the stream of a source.
func streamName(source string) string {
	return "SW_" + strings.ToUpper(strings.ReplaceAll(source, "-", "_"))
}

// wakeSubject tells the process that holds the relay's lease that another
// process of the same service has committed an event. It carries nothing.
func wakeSubject(source string) string { return "spindlewright.wake." + source }

// message gives the event as it is published; its message id is the event's.
func message(e Event) *nats.Msg {
	m := nats.NewMsg(e.Subject())
	m.Data = e.Payload
	h := m.Header
	h[nats.MsgIdHdr] = []string{e.ID}
	h[hdrSpec] = []string{"1.0"}
	h[hdrID] = []string{e.ID}
	h[hdrType] = []string{e.Type}
	h[hdrSource] = []string{sourcePrefix + e.Source}
	h[hdrTime] = []string{e.OccurredAt.UTC().Format(timeLayout)}
	h[hdrSubject] = []string{e.EntityID}
	h[hdrContent] = []string{contentType}
	h[hdrTenant] = []string{e.Tenant}
	h[hdrEntityType] = []string{e.EntityType}
	h[hdrEntity] = []string{e.EntityID}
	h[hdrRevision] = []string{strconv.FormatInt(e.Revision, 10)}
	h[hdrPosition] = []string{strconv.FormatInt(e.Position, 10)}
	h[hdrEpoch] = []string{strconv.FormatInt(e.Epoch, 10)}
	h[hdrOccurred] = h[hdrTime]
	h[hdrRecorded] = []string{e.RecordedAt.UTC().Format(timeLayout)}
	if e.Traceparent != "" {
		h[hdrTrace] = []string{e.Traceparent}
	}
	if e.Replaces != "" {
		h[hdrReplaces] = []string{e.Replaces}
	}
	return m
}

// fromMessage is the inverse of message.
func fromMessage(subject string, h nats.Header, data []byte) (Event, error) {
	e := Event{
		ID: h.Get(hdrID), Type: h.Get(hdrType),
		Source: strings.TrimPrefix(h.Get(hdrSource), sourcePrefix),
		Tenant: h.Get(hdrTenant), EntityType: h.Get(hdrEntityType), EntityID: h.Get(hdrEntity),
		Traceparent: h.Get(hdrTrace), Replaces: h.Get(hdrReplaces),
		Happened: subject[strings.LastIndexByte(subject, '.')+1:],
		Payload:  data,
	}
	p := parser{h: h}
	e.Revision = p.number(hdrRevision)
	e.Position = p.number(hdrPosition)
	e.Epoch = p.number(hdrEpoch)
	e.OccurredAt = p.moment(hdrOccurred)
	e.RecordedAt = p.moment(hdrRecorded)
	if p.err != nil {
		return e, p.err
	}
	if e.ID == "" || e.Type == "" || e.Source == "" || e.EntityID == "" || e.Revision < 1 || e.Position < 1 || e.Epoch < 1 {
		return e, fmt.Errorf("a message on %s lacks headers of an event", subject)
	}
	return e, nil
}

// parser keeps the first header that cannot be read.
type parser struct {
	h   nats.Header
	err error
}

func (p *parser) number(name string) int64 {
	n, err := strconv.ParseInt(p.h.Get(name), 10, 64)
	if err != nil && p.err == nil {
		p.err = fmt.Errorf("header %s: %w", name, err)
	}
	return n
}

func (p *parser) moment(name string) time.Time {
	t, err := time.Parse(timeLayout, p.h.Get(name))
	if err != nil && p.err == nil {
		p.err = fmt.Errorf("header %s: %w", name, err)
	}
	return t.UTC()
}
