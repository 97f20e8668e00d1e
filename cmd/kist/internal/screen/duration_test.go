package screen

import (
	"testing"
	"time"
)

func TestDurationText(t *testing.T) {
	for in, want := range map[time.Duration]string{
		7 * 24 * time.Hour: "7 days", 24 * time.Hour: "1 day", 36 * time.Hour: "36 hours", time.Hour: "1 hour",
		90 * time.Minute: "90 minutes", 61 * time.Second: "1m1s", 0: "0s",
	} {
		if got := DurationText(in); got != want {
			t.Errorf("%v: %q, not %q", int64(in), got, want)
		}
	}
}
