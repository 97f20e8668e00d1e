package main

import (
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// checkZone warns where TZ names no time zone that is known: times would be in UTC then, in silence.
func (a *app) checkZone() {
	zone := strings.TrimPrefix(a.getenv("TZ"), ":")
	known := zone == ""
	if filepath.IsAbs(zone) {
		_, err := os.Stat(zone)
		known = err == nil
	} else if !known {
		_, err := time.LoadLocation(zone)
		known = err == nil
	}
	if !known {
		a.Warn("TZ names no time zone that is known here, %s: times are in UTC.", screen.Line(zone))
	}
}
