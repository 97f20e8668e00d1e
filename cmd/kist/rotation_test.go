package main

import (
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// TestOddDates: each warning names the capture, its date and what to do.
func TestOddDates(t *testing.T) {
	date := time.Date(2226, 3, 14, 2, 3, 0, 0, time.Local)
	texts := oddDates([]store.RotationWarning{
		{Capture: &store.Capture{ID: "ahead"}, Rule: rotation.Future, Date: date},
		{Capture: &store.Capture{ID: "reset"}, Rule: store.WrongClock, Date: date},
	})
	for i, want := range []string{"dated " + screen.LocalTime(date) + ", after now|kist retire ahead", "written at " + screen.LocalTime(date) + ", by its date|kist retire reset"} {
		for part := range strings.SplitSeq(want, "|") {
			if i >= len(texts) || !strings.Contains(texts[i], part) {
				t.Errorf("warnings %q, want one with %q", texts, part)
			}
		}
	}
}
