package main

import (
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// farAhead is how far after now a date is taken for a slip: more than time zones make.
const farAhead = 24 * time.Hour

func acceptFutureFlag() cli.Flag {
	return &cli.BoolFlag{Name: "accept-future", Usage: "take a --taken that is more than a day ahead; such a capture is never the latest before its time"}
}

// takenTime gives the time of --taken, or none.
func takenTime(c *cli.Context) (time.Time, error) {
	if !c.IsSet("taken") {
		return time.Time{}, nil
	}
	t, err := cmdline.Time(c.String("taken"))
	if err == nil && t.After(time.Now().Add(farAhead)) && !c.Bool("accept-future") {
		err = usagef("--taken %s is %s, more than a day ahead: is that date right? --accept-future takes it", c.String("taken"), screen.LocalTime(t))
	}
	return t, err
}
