package main

import (
	"github.com/dustin/go-humanize"
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/limit"
)

func limitRateFlag() cli.Flag {
	return &cli.StringFlag{Name: "limit-rate", Usage: "read and write no more than `SIZE` a second of what the repository holds, such as 20MiB; after a pause, half a second's worth at once"}
}

// limiting gives an action that heeds --limit-rate.
func (a *app) limiting(action cli.ActionFunc) cli.ActionFunc {
	return func(c *cli.Context) (err error) {
		if a.rate, err = parseRate(c.String("limit-rate")); err != nil {
			return err
		}
		return action(c)
	}
}

// parseRate reads bytes a second; 0: no limit.
func parseRate(text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	n, err := humanize.ParseBytes(text)
	if err != nil || n < limit.MinRate || n > 1<<50 {
		return 0, usagef("--limit-rate %q: write it as 20MiB or 500KiB; at least 1KiB", text)
	}
	return int64(n), nil
}

// limited gives a storage that heeds --limit-rate, each by itself where there are several.
func (a *app) limited(st storage.Storage) (storage.Storage, error) {
	if a.rate == 0 {
		return st, nil
	}
	return limit.New(st, a.rate)
}
