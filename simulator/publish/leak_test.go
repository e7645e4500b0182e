package publish

import (
	"testing"

	"go.uber.org/goleak"
)

// No goroutine of a test outlives it, but paho's own that connect and part: they sleep out
// a pause between attempts, a second, and then end.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m,
		goleak.IgnoreAnyFunction("github.com/eclipse/paho%2emqtt%2egolang.(*client).Connect.func1"),
		goleak.IgnoreAnyFunction("github.com/eclipse/paho%2emqtt%2egolang.(*client).Disconnect.func1"))
}
