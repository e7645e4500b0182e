package broker

import (
	"testing"

	"go.uber.org/goleak"
)

// No goroutine of a test outlives it, but the server's own wait for its ports, which ends
// with its limit where a port is taken.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.IgnoreAnyFunction("github.com/nats-io/nats-server/v2/server.(*Server).readyForConnections"))
}
