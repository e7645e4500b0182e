package main

import (
	"errors"
	"fmt"
	"os"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"hoistward/configs"
)

type monitorCmd struct {
	Config string `required:"" type:"path" placeholder:"SITE.YAML" help:"The site file: rigs, sources, where to show and keep."`
	Proven bool   `hidden:"" help:"Simulated rigs: a rig that begins has its crown saver proven."`
	attached
}

func (c *monitorCmd) Run(s *streams) error {
	site, err := configs.LoadSite(c.Config)
	if err != nil {
		return configError(err)
	}
	defer c.follow(s)()
	if site.Group != nil {
		return runMember(s, site, c.Proven)
	}
	log, err := newLog(zap.InfoLevel)
	if err != nil {
		return err
	}
	defer func() { _ = log.Sync() }()
	st := &station{site: site, clock: monotone(time.Now(), 1), wall: wallClock, log: log, failure: make(chan error, 1)}
	printer := newPrinter(s, "")
	out := newLossy(s.out)
	printer.out = out
	st.onEvent = printer.entry
	var u undo
	if err := st.start(&u); err != nil {
		err = errors.Join(err, u.stop())
		out.close()
		return err
	}
	fmt.Fprintf(s.out, "hoistward monitor: %s\n", st.address)
	var failed error
	select {
	case <-s.ctx.Done():
	case failed = <-st.failure:
	}
	printer.end()
	err = u.stop()
	out.close()
	if failed != nil {
		return failed
	}
	return err
}

// configError turns mistakes in a file into wrong usage.
func configError(err error) error {
	var problems configs.Problems
	if errors.As(err, &problems) {
		return usageError{err}
	}
	return err
}

// monotone returns a clock that starts at start and goes speed times as fast as
// the monotonic one, so that no step of the wall clock moves it.
func monotone(start time.Time, speed float64) func() time.Time {
	begun := time.Now()
	return func() time.Time {
		return start.Add(time.Duration(float64(time.Since(begun)) * speed)).UTC().Round(0)
	}
}

// wallClock is this machine's clock without the monotonic one, so that its being set
// is seen.
func wallClock() time.Time { return time.Now().Round(0) }

// newLog writes to standard error; a sampled core keeps a flood of one message from
// filling a disk, and nobody waits for a pipe that is not read.
func newLog(level zapcore.Level) (*zap.Logger, error) {
	c := zap.NewProductionConfig()
	c.Level = zap.NewAtomicLevelAt(level)
	c.Encoding = "console"
	c.EncoderConfig.EncodeTime = utcTime
	c.DisableStacktrace = true
	c.DisableCaller = true
	return c.Build(zap.WrapCore(func(zapcore.Core) zapcore.Core {
		to := zapcore.NewCore(zapcore.NewConsoleEncoder(c.EncoderConfig), newLossy(os.Stderr), c.Level)
		return zapcore.NewSamplerWithOptions(to, time.Second, c.Sampling.Initial, c.Sampling.Thereafter)
	}))
}
