package reliability

import (
	"fmt"

	"github.com/nats-io/nats.go"
)

// NudgeSubject carries an empty message whenever the change log grew.
const NudgeSubject = "spindlewright.nudge.reliability"

// Nudger tells every process of the service that the change log grew. A nudge
// may be lost: readers look at the log each second anyway.
type Nudger interface {
	Nudge()
	// Listen calls wake at every nudge, from any process, until stop.
	Listen(wake func()) (stop func(), err error)
}

// NATSNudger nudges over core NATS.
func NATSNudger(nc *nats.Conn) Nudger { return natsNudger{nc} }

type natsNudger struct{ nc *nats.Conn }

func (n natsNudger) Nudge() {
	// An error means that the connection is down; then the poll finds it.
	_ = n.nc.Publish(NudgeSubject, nil)
}

func (n natsNudger) Listen(wake func()) (func(), error) {
	sub, err := n.nc.Subscribe(NudgeSubject, func(*nats.Msg) { wake() })
	if err != nil {
		return nil, fmt.Errorf("listen for nudges: %w", err)
	}
	return func() { _ = sub.Unsubscribe() }, nil
}
