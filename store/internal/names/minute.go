package names

import (
	"strings"
	"time"
)

// Minute gives the part of a capture's id, or of the name of an index file, that is the
// minute in which the capture was taken. Minutes compare as their times do.
func Minute(id string) string {
	minute, _, _ := strings.Cut(id, "-")
	return minute
}

// MinuteOf gives the minute of a time, as Minute gives that of an id.
func MinuteOf(t time.Time) string { return t.UTC().Format(idTime) }

// Time gives the minute in an id as a time, or the zero time where it is none.
func Time(id string) time.Time {
	t, _ := time.Parse(idTime, Minute(id))
	return t
}
