package main

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"

	"hoistward/ingest/jetstream"
)

// leafCmd makes what a rig's own server keeps for the centre.
type leafCmd struct {
	Server    string        `default:"nats://127.0.0.1:4222" help:"The rig's own server."`
	User      string        `help:"User at the server, with --password-file."`
	Password  string        `name:"password-file" type:"existingfile" help:"File with the password."`
	Keep      time.Duration `default:"168h" help:"For how long readings wait for the centre."`
	Megabytes int64         `default:"2048" help:"How much of them."`
}

// leafTime is how long the rig's server may take to answer.
const leafTime = 20 * time.Second

func (c *leafCmd) Run(s *streams) error {
	if c.Keep < time.Hour || c.Megabytes < 1 {
		return usagef("leaf: got --keep %s and --megabytes %d, want an hour and a megabyte at least", c.Keep, c.Megabytes)
	}
	ctx, cancel := context.WithTimeout(s.ctx, leafTime)
	defer cancel()
	o := []nats.Option{nats.Name("hoistward leaf")}
	if c.User != "" || c.Password != "" {
		login, err := passwordOption(c.User, c.Password)
		if err != nil {
			return err
		}
		o = append(o, login)
	}
	nc, err := nats.Connect(c.Server, o...)
	if err != nil {
		return fmt.Errorf("leaf: %s: %w", c.Server, err)
	}
	defer nc.Close()
	if err := jetstream.OpenRig(ctx, nc, c.Keep, c.Megabytes<<20); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s keeps readings for the centre in the stream %s, %s and %d MB of them\n", c.Server, jetstream.RigStream, c.Keep, c.Megabytes)
	return nil
}
