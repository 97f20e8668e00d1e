package names

import "strings"

// Minute gives the part of a capture's id, or of the name of an index file, that is the
// minute in which the capture was taken. Minutes compare as their times do.
func Minute(id string) string {
	minute, _, _ := strings.Cut(id, "-")
	return minute
}
