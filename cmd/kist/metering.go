package main

import (
	"fmt"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/metrics"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

func metricsFlag() cli.Flag {
	return &cli.StringFlag{Name: "metrics", Usage: "tell in `FILE` what the run came to, as Prometheus collects it; several commands may share one"}
}

// metering gives an action that tells by --metrics what it came to, however it ends.
func (a *app) metering(action cli.ActionFunc) cli.ActionFunc {
	return func(c *cli.Context) error {
		file := c.String("metrics")
		if file == "" {
			return action(c)
		}
		repository, err := a.repositoryPlace()
		if err != nil {
			return err
		}
		if err := a.checkWritten(c, file); err != nil {
			return err
		}
		if a.metrics, err = metrics.Begin(file, c.Command.Name, repository.Full(), time.Now); err != nil {
			return usagef("--metrics: %w", err)
		}
		err = action(c)
		if err == nil {
			err = a.Out.Failed()
		}
		switch failed := a.metrics.End(err == nil); {
		case failed == nil:
			return err
		case err == nil:
			return fmt.Errorf("%s did what it should, but can't tell so: %w", c.Command.Name, failed)
		default:
			a.Warn("%s", screen.Text(failed.Error()))
			return err
		}
	}
}
