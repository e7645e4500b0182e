package jetstream_test

import (
	"testing"

	"go.uber.org/goleak"
)

// No goroutine of a test outlives it.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }
