// Package broker runs an MQTT broker inside the program, for the demo and for
// tests: nats-server with its MQTT listener, on the loopback interface only.
//
// After a restart the server reads its retained messages back while it takes the
// first links: a subscription in the first moments can come too early for them.
//
// It may not be used as a store of record: the recorder keeps readings, the
// broker only passes them on. It speaks MQTT 3.1.1, has no passwords, refuses
// payloads over MaxPayload and topics with a space by closing the connection, and
// grants shared subscriptions ($share/…) without ever delivering to them.
package broker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"
)

// MaxPayload is the largest payload in bytes; a larger one closes the sender's
// connection.
const MaxPayload = 1 << 20

const (
	startTimeout = 10 * time.Second
	stopTimeout  = 3 * time.Second
	maxStore     = 256 << 20 // bytes of retained and queued messages on disk
)

// Broker is a running broker.
type Broker struct {
	server *server.Server
	log    *serverLog
	port   int
}

// Option changes how a broker starts.
type Option func(*server.Options)

// Port makes the broker listen on port n instead of a free one.
func Port(n int) Option { return func(o *server.Options) { o.MQTT.Port = n } }

// Start runs a broker that keeps its retained and queued messages in dir, and
// returns once it accepts connections. Each write to dir is synced to disk before
// it is acknowledged, which makes QoS 1 some thirty times slower than QoS 0. Errors and warnings of the server go to log.
func Start(ctx context.Context, dir string, log *zap.Logger, opts ...Option) (*Broker, error) {
	o := &server.Options{
		ServerName:             "hoistward",
		DontListen:             true, // no listener for the server's own protocol
		NoSigs:                 true,
		NoLog:                  false,
		MaxPayload:             MaxPayload,
		JetStream:              true,
		StoreDir:               dir,
		SyncAlways:             true,
		JetStreamMaxMemory:     maxStore,
		JetStreamMaxStore:      maxStore,
		DisableJetStreamBanner: true,
	}
	o.MQTT.Host, o.MQTT.Port = "127.0.0.1", -1
	// Far above the default of 1024 unacknowledged messages, at which the server
	// stops delivering without a word.
	o.MQTT.MaxAckPending = 20000
	for _, f := range opts {
		f(o)
	}
	s, err := server.NewServer(o)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	b := &Broker{server: s, log: &serverLog{log: log.Named("broker"), fatal: make(chan struct{})}}
	s.SetLoggerV2(b.log, false, false, false)
	go s.Start()
	if err := b.ready(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("broker: start in %s on port %d: %w", dir, o.MQTT.Port, err), b.Stop(context.Background()))
	}
	b.port = o.MQTT.Port
	return b, nil
}

func (b *Broker) ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	ready := make(chan bool, 1)
	go func() { ready <- b.server.ReadyForConnections(startTimeout) }()
	select {
	case ok := <-ready:
		if !ok {
			return errors.Join(errors.New("not ready for connections"), b.log.err())
		}
		return nil
	case <-b.log.fatal:
		return b.log.err()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Addr returns host and port of the MQTT listener.
func (b *Broker) Addr() string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(b.port)) }

// URL returns the address that an MQTT client takes, such as
// "tcp://127.0.0.1:1883".
func (b *Broker) URL() string { return "tcp://" + b.Addr() }

// SlowReaders returns how many links the broker has closed because the reader did
// not keep up: what was waiting for them is lost.
func (b *Broker) SlowReaders() int64 { return b.server.NumSlowConsumers() }

// Stop closes all connections and ends the broker. It returns when the broker has
// ended, or with an error when ctx or 3 s have passed.
func (b *Broker) Stop(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, stopTimeout)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		b.server.Shutdown()
		b.server.WaitForShutdown()
	}()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("broker: still ending: %w", ctx.Err())
	}
}

// serverLog hands the server's warnings and errors to zap. The server calls Fatalf
// when it cannot start, and expects it not to return; here the start fails instead.
type serverLog struct {
	log   *zap.Logger
	fatal chan struct{}
	once  sync.Once
	mu    sync.Mutex
	first error
}

func (l *serverLog) err() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.first
}

func (l *serverLog) Noticef(string, ...any)         {}
func (l *serverLog) Debugf(string, ...any)          {}
func (l *serverLog) Tracef(string, ...any)          {}
func (l *serverLog) Warnf(format string, v ...any)  { l.log.Warn(fmt.Sprintf(format, v...)) }
func (l *serverLog) Errorf(format string, v ...any) { l.log.Error(fmt.Sprintf(format, v...)) }

func (l *serverLog) Fatalf(format string, v ...any) {
	l.once.Do(func() {
		l.mu.Lock()
		l.first = fmt.Errorf(format, v...)
		l.mu.Unlock()
		close(l.fatal)
	})
}
