package wits

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"time"

	"go.uber.org/zap"
)

// SourceOptions say where a sender is, or where to wait for one. Zero values take
// the defaults given here.
type SourceOptions struct {
	Name    string // of the source in logs and counters
	Rig     string // that all frames of this source are of
	Connect string // host:port of a sender that waits for us; or
	Listen  string // host:port of ours that a sender connects to
	// Allow names who may connect to Listen; default: this machine alone.
	Allow []netip.Prefix

	QuietAfter     time.Duration // without a whole frame: state Quiet; default 3 s
	IdleAfter      time.Duration // without a byte: the connection is given up; default 60 s
	KeepAlive      time.Duration // between probes of an idle connection; default 5 s
	ConnectTimeout time.Duration // of one attempt; default 5 s
	QueueLen       int           // frames between network and reader; default 512
	RetryMin       time.Duration // pause before the first new attempt; default 500 ms
	RetryMax       time.Duration // longest pause; default 10 s

	// OnStatus is told every change, in order. It must return soon and must not
	// call Close.
	OnStatus func(Status)
	Log      *zap.Logger
	Now      func() time.Time // default time.Now
}

func orDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

func (o *SourceOptions) defaults() {
	orDefault(&o.Name, o.Connect+o.Listen)
	orDefault(&o.QuietAfter, 3*time.Second)
	orDefault(&o.IdleAfter, 60*time.Second)
	orDefault(&o.KeepAlive, 5*time.Second)
	orDefault(&o.ConnectTimeout, 5*time.Second)
	orDefault(&o.QueueLen, 512)
	orDefault(&o.RetryMin, 500*time.Millisecond)
	orDefault(&o.RetryMax, 10*time.Second)
	if len(o.Allow) == 0 {
		o.Allow = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}
	}
	if o.OnStatus == nil {
		o.OnStatus = func(Status) {}
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
}

func (o *SourceOptions) check() error {
	at := o.Connect + o.Listen
	host, port, err := net.SplitHostPort(at)
	var number uint64
	if err == nil {
		number, err = strconv.ParseUint(port, 10, 16)
	}
	switch {
	case (o.Connect == "") == (o.Listen == ""):
		return fmt.Errorf("address: got connect %q and listen %q, want one of them", o.Connect, o.Listen)
	case err != nil, host == "", o.Connect != "" && number == 0:
		return fmt.Errorf("address: got %q, want host:port", at)
	case o.QueueLen < 1:
		return fmt.Errorf("queue: got %d frames, want 1 or more", o.QueueLen)
	case o.RetryMin <= 0 || o.RetryMax < o.RetryMin:
		return fmt.Errorf("retry: got %v to %v, want rising positive durations", o.RetryMin, o.RetryMax)
	case o.QuietAfter <= 0 || o.IdleAfter <= 0 || o.KeepAlive <= 0 || o.ConnectTimeout <= 0:
		return errors.New("timeouts: got one that is not positive, want positive durations")
	}
	return nil
}

// allows tells whether a peer may connect.
func (o *SourceOptions) allows(peer net.Addr) bool {
	a, ok := peer.(*net.TCPAddr)
	if !ok {
		return false
	}
	ip, ok := netip.AddrFromSlice(a.IP)
	if !ok {
		return false
	}
	ip = ip.Unmap()
	for _, p := range o.Allow {
		if p.Contains(ip) {
			return true
		}
	}
	return false
}

// keepAlive finds a peer that went away without a word in some 20 s by default.
func (o *SourceOptions) keepAlive() net.KeepAliveConfig {
	return net.KeepAliveConfig{Enable: true, Idle: o.KeepAlive, Interval: o.KeepAlive, Count: 3}
}
