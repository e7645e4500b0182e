package dashboard

import (
	"net"
	"net/http"
	"sync"
)

// unasked are the connections on which nothing has been asked yet: browsers open some
// ahead. http.Server.Shutdown would wait 5 s for a question on each; closed at its
// start, nobody misses them.
type unasked struct {
	mu  sync.Mutex
	set map[net.Conn]struct{}
}

// note is an http.Server's ConnState.
func (u *unasked) note(conn net.Conn, state http.ConnState) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if state != http.StateNew {
		delete(u.set, conn)
		return
	}
	if u.set == nil {
		u.set = map[net.Conn]struct{}{}
	}
	u.set[conn] = struct{}{}
}

// close ends them. The server's own note of each comes behind it.
func (u *unasked) close() {
	u.mu.Lock()
	defer u.mu.Unlock()
	for conn := range u.set {
		_ = conn.Close() // it has served nobody
	}
}
