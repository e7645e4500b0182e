package dashboard

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"hoistward/dashboard/access"
	"hoistward/dashboard/trend"

	"go.uber.org/zap"
	"golang.org/x/net/netutil"
)

// Options are what a Server is made from.
type Options struct {
	Desk    Desk                           // nil: nobody can acknowledge, every act is refused
	Health  func() any                     // what /healthz says besides the dashboard's own figures; nil = nothing
	Ready   func() (ready bool, state any) // what /readyz says: whether every rig is watched, and of each what is missing; nil = there is none
	ToDo    func() []string                // what a person is to see to, in whole sentences, for the start page; nil = nothing
	Metrics http.Handler                   // answers /metrics; nil = there are none
	Log     *zap.Logger                    // nil = no log
	Version string                         // shown on the start page
	Now     func() time.Time               // nil = time.Now
	Rigs    []string                       // rigs to list before their first snapshot
	// Fresh is called before a page or the API is given the newest snapshot of a rig, so
	// that one made now can be published first; nil = what was published is the newest.
	Fresh func(rig string)
	// Gate says who may see and do what; nil = whoever asks, everything.
	Gate        *access.Gate
	TLS         *Certificate // nil = HTTP in the clear
	Hosts       []string     // names besides loopback ones that the server is reached by
	BehindProxy bool         // requests come through a proxy that does TLS and says who asked (X-Forwarded-For)
	// AlarmFigures measures the journal of the given rigs, none = all; nil = none is kept.
	AlarmFigures func(rigs []string, from, to time.Time) (any, error)
	// Replay answers the routes below /api/replay; nil = no recordings are kept here.
	Replay http.Handler
	// Happened returns the newest most entries of the journal of the given rigs, none = all,
	// from from to to; nil = none is kept.
	Happened func(rigs []string, from, to time.Time, most int) (Happened, error)
}

// Limits of one server. Everything that can grow has one.
const (
	maxClients     = 500              // WebSocket pages at once
	perAddress     = 100              // of them from one other machine
	maxConnections = 2000             // of TCP: what is beyond waits until one ends
	maxBody        = 4 << 10          // bytes of a POST
	maxFrame       = 512              // bytes a page may send over its WebSocket: it has nothing to say
	perClient      = 10               // snapshots a second to one page
	writeWait      = time.Second      // a page that cannot take one snapshot in this time is dropped
	pingEvery      = 4 * time.Second  // with two lost pings a peer is gone
	pongWait       = 10 * time.Second //
	socketBuffer   = 64 << 10         // bytes in the kernel per page: a page that does not read is found soon
	shutdownLimit  = 3 * time.Second
)

// Server shows rigs to pages. Make it with New, feed it with Publish.
//
// Overload: for each rig only the newest snapshot is kept. A page that is slower
// than the snapshots misses the older ones; one that does not read at all is
// dropped after a second; pages beyond a bound, of all and of each other machine, are
// not let in. All are counted and shown in /healthz.
type Server struct {
	opts Options
	mux  http.Handler

	mu       sync.Mutex
	rigs     map[string]*rigState
	clients  map[*client]struct{}
	admitted int            // pages that have been let in: clients, and those that are about to be
	sources  map[string]int // of them by address
	closed   bool
	closing  chan struct{} // closed when the server stops
	running  sync.WaitGroup

	listed     atomic.Pointer[[]*rigState] // all rigs, in the order in which they came
	order      fleetOrder
	looked     time.Time     // somebody asked for a rig or for the list
	fleetPages atomic.Int64  // open now
	presence   atomic.Uint64 // changes whenever a page comes or goes
	watched    atomic.Pointer[watchList]
	watchMake  sync.Mutex
	rows       atomic.Uint64 // made

	figuring sync.Mutex // of alarm figures
	trends   trends
	pacer    pacer // by address
	seats    pacer // by session

	served, slow, lost, full, cleaned, broken, paced atomic.Uint64
}

// New returns a server that knows opts.Rigs.
func New(opts Options) *Server {
	if opts.Log == nil {
		opts.Log = zap.NewNop()
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	s := &Server{
		opts:    opts,
		rigs:    map[string]*rigState{},
		clients: map[*client]struct{}{},
		sources: map[string]int{},
		closing: make(chan struct{}),
		trends:  trends{logs: map[string]*trend.Log{}},
	}
	s.listed.Store(&[]*rigState{})
	for _, name := range opts.Rigs {
		s.know(name)
	}
	s.mux = s.routes()
	return s
}

// Handler returns the server's routes with their guards.
func (s *Server) Handler() http.Handler { return s.mux }

// Serve answers on ln until ctx ends, then tells every page that it is going away
// (WebSocket close 1001) and stops within 3 s. It returns nil after an ordered
// stop. Where other machines reach it, by the listener, by Options.Hosts or through a
// proxy, it refuses to serve without accounts and without TLS.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	if err := s.MayServe(ln.Addr()); err != nil {
		return errors.Join(err, ln.Close())
	}
	ln = netutil.LimitListener(smallBuffers{ln}, maxConnections)
	if s.opts.TLS != nil {
		ln = tls.NewListener(ln, s.opts.TLS.config())
		watched := make(chan struct{})
		watching, stop := context.WithCancel(ctx)
		go func() { defer close(watched); s.watchCertificate(watching) }()
		defer func() { stop(); <-watched }()
	}
	hs := &http.Server{
		Handler:           s.mux,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      15 * time.Second,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          zap.NewStdLog(s.opts.Log),
	}
	var ahead unasked
	hs.ConnState = ahead.note
	hs.RegisterOnShutdown(ahead.close)
	failed := make(chan error, 1)
	go func() { failed <- hs.Serve(ln) }()
	select {
	case err := <-failed:
		s.hangUp()
		return fmt.Errorf("dashboard: serve %s: %w", ln.Addr(), err)
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownLimit)
	defer cancel()
	err := s.Close(stop)
	if e := hs.Shutdown(stop); e != nil {
		err = errors.Join(err, fmt.Errorf("dashboard: stop %s: %w", ln.Addr(), e), hs.Close())
	}
	<-failed
	return err
}

// Close ends every WebSocket with status 1001 and waits until the last is gone,
// or ctx ends.
func (s *Server) Close(ctx context.Context) error {
	s.hangUp()
	done := make(chan struct{})
	go func() { s.running.Wait(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
	}
	s.mu.Lock()
	n := len(s.clients)
	for c := range s.clients {
		c.conn.Close()
	}
	s.mu.Unlock()
	<-done
	return fmt.Errorf("dashboard: %d pages did not close in time: %w", n, ctx.Err())
}

func (s *Server) hangUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.closed = true
		close(s.closing)
	}
}

// smallBuffers gives each connection little room in the kernel, so that a page that does
// not read is found soon.
type smallBuffers struct{ net.Listener }

func (l smallBuffers) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if tcp, ok := conn.(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(socketBuffer) // smaller is only better, never needed
	}
	return conn, err
}

// MayServe says what is missing before other machines may reach the server at addr.
func (s *Server) MayServe(addr net.Addr) error {
	tcp, ok := addr.(*net.TCPAddr)
	local := ok && tcp.IP.IsLoopback()
	if local && !s.opts.BehindProxy && len(s.opts.Hosts) == 0 {
		return nil
	}
	var missing []string
	if s.opts.Gate == nil || !s.opts.Gate.Closed(s.opts.Now()) {
		missing = append(missing, "there are no accounts (hoistward user add makes the first)")
	}
	if s.opts.TLS == nil && !s.opts.BehindProxy {
		missing = append(missing, "there is no TLS (tls in the site file, or behind_proxy: true where a proxy does it)")
	}
	if len(missing) == 0 {
		return nil
	}
	return fmt.Errorf("dashboard: listen on %s: other machines can reach the page there, and %s: "+
		"want loopback such as 127.0.0.1:8080 until that is set up, because anyone who reaches the page could acknowledge alarms",
		addr, strings.Join(missing, ", and "))
}

const certificateTold = 24 * time.Hour // a warning of the certificate is logged again

// watchCertificate logs what is wrong with the certificate: when it changes, and each
// day.
func (s *Server) watchCertificate(ctx context.Context) {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	told, at := "", time.Time{}
	for {
		now := time.Now()
		if words := s.opts.TLS.Status(now).Words(); words != told || words != "" && now.Sub(at) >= certificateTold {
			told, at = words, now
			if words == "" {
				s.opts.Log.Info("the page's certificate is good again")
			} else {
				s.opts.Log.Warn(words)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// secure tells whether browsers reach the server over TLS, its own or a proxy's.
func (s *Server) secure() bool { return s.opts.TLS != nil || s.opts.BehindProxy }
