// Package servers runs NATS servers inside the program, each by a configuration file of
// the servers' own form: for the demo and for tests. A real cluster runs the servers'
// own program by such files (CLUSTER.md).
//
// It may not decide anything for a server: what is not in the file is the server's
// default.
package servers

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// readyTime is how long a server may take until it answers.
const readyTime = 15 * time.Second

// Server is a running server.
type Server struct{ s *server.Server }

// Start runs the server of a configuration file and returns once it takes connections.
func Start(path string) (*Server, error) {
	o, err := server.ProcessConfigFile(path)
	if err != nil {
		return nil, fmt.Errorf("server: %w", err)
	}
	o.NoSigs = true
	s, err := server.NewServer(o)
	if err != nil {
		return nil, fmt.Errorf("server: %s: %w", path, err)
	}
	s.ConfigureLogger()
	s.Start()
	if !s.ReadyForConnections(readyTime) {
		s.Shutdown()
		return nil, fmt.Errorf("server: %s: not ready for connections after %s", path, readyTime)
	}
	return &Server{s}, nil
}

// Stop ends the server. It returns when it has ended, or ctx has.
func (s *Server) Stop(ctx context.Context) error {
	done := make(chan struct{})
	go func() { defer close(done); s.s.Shutdown(); s.s.WaitForShutdown() }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("server: still ending: %w", ctx.Err())
	}
}

// Node is one server of a cluster on this machine.
type Node struct {
	File string // its configuration
	URL  string // for members
	MQTT string // for senders
	Leaf string // for rigs' own servers
}

// Write writes the configuration of a cluster of n servers, or of one alone, on loopback
// addresses with free ports into dir.
func Write(dir string, n int) ([]Node, error) {
	ports, err := freePorts(4 * n)
	if err != nil {
		return nil, err
	}
	var routes []string
	for i := range n {
		routes = append(routes, fmt.Sprintf("nats://127.0.0.1:%d", ports[n+i]))
	}
	var nodes []Node
	for i := range n {
		node := Node{
			File: filepath.Join(dir, fmt.Sprintf("server-%d.conf", i+1)),
			URL:  fmt.Sprintf("nats://127.0.0.1:%d", ports[i]),
			MQTT: fmt.Sprintf("tcp://127.0.0.1:%d", ports[2*n+i]),
			Leaf: fmt.Sprintf("nats-leaf://127.0.0.1:%d", ports[3*n+i]),
		}
		text := fmt.Sprintf(form, i+1, ports[i], filepath.Join(dir, fmt.Sprintf("server-%d", i+1)),
			ports[2*n+i], ports[3*n+i], filepath.Join(dir, fmt.Sprintf("server-%d.log", i+1)))
		if n > 1 {
			text += fmt.Sprintf(clusterForm, ports[n+i], strings.Join(routes, ", "))
		}
		if err := os.WriteFile(node.File, []byte(text), 0o644); err != nil {
			return nil, err
		}
		nodes = append(nodes, node)
	}
	return nodes, nil
}

const form = `# A server on this machine. No passwords: nothing else can reach it.
server_name: server-%d
listen: "127.0.0.1:%d"
jetstream: { store_dir: %q }
mqtt: { listen: "127.0.0.1:%d", max_ack_pending: 20000 }
leafnodes: { listen: "127.0.0.1:%d" }
log_file: %q
`

const clusterForm = `cluster: { name: centre, listen: "127.0.0.1:%d", routes: [%s] }
`

func freePorts(n int) ([]int, error) {
	var ports []int
	var all []net.Listener
	var errs error
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			errs = errors.Join(errs, err)
			break
		}
		all = append(all, l)
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	for _, l := range all {
		errs = errors.Join(errs, l.Close())
	}
	return ports, errs
}

// WriteLeaf writes the configuration of a rig's own server on loopback addresses into
// dir: with a domain of its own, and a link to the centre at remote (Node.Leaf).
func WriteLeaf(dir, domain, remote string) (Node, error) {
	ports, err := freePorts(2)
	if err != nil {
		return Node{}, err
	}
	n := Node{
		File: filepath.Join(dir, domain+".conf"),
		URL:  fmt.Sprintf("nats://127.0.0.1:%d", ports[0]),
		MQTT: fmt.Sprintf("tcp://127.0.0.1:%d", ports[1]),
	}
	text := fmt.Sprintf(leafForm, domain, ports[0], filepath.Join(dir, domain), domain, ports[1], remote, filepath.Join(dir, domain+".log"))
	return n, os.WriteFile(n.File, []byte(text), 0o644)
}

const leafForm = `# A rig's own server on this machine.
server_name: %s
listen: "127.0.0.1:%d"
jetstream: { store_dir: %q, domain: %s }
mqtt: { listen: "127.0.0.1:%d" }
leafnodes: { reconnect: 1, remotes: [ { url: %q, deny_exports: ["hoist.>", "$MQTT.>"], deny_imports: ["hoist.>", "$MQTT.>"] } ] }
log_file: %q
`
