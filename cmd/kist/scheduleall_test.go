package main

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/config"
)

// TestScheduleOfTwoFiles: timers read one configuration; where two hold together it is said what to put where.
func TestScheduleOfTwoFiles(t *testing.T) {
	a := newApp(nil, &bytes.Buffer{}, &bytes.Buffer{}, func(string) string { return "" })
	a.config = &config.Settings{Paths: []string{"/etc/kist/kist.toml", "/root/.config/kist/kist.toml"}}
	_, err := a.newPlan(nil)
	if !errors.As(err, new(*cmdline.UsageError)) || !strings.HasSuffix(err.Error(), "Put what /root/.config/kist/kist.toml says into /etc/kist/kist.toml, and give --config /etc/kist/kist.toml") {
		t.Error(err)
	}
}
