package main

import (
	"context"

	"hoistward/ingest/jetstream/servers"
)

// serverCmd is one of a group's servers as a process: the demo's, and the tests'.
type serverCmd struct {
	File string `arg:"" type:"existingfile" help:"The server's configuration, in the servers' own form."`
	attached
}

func (c *serverCmd) Run(s *streams) error {
	defer c.follow(s)()
	server, err := servers.Start(c.File)
	if err != nil {
		return err
	}
	<-s.ctx.Done()
	stop, cancel := context.WithTimeout(context.Background(), stopLimit)
	defer cancel()
	return server.Stop(stop)
}
