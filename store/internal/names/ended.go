package names

import (
	"fmt"
	"strings"
)

// What a mark's name ends with that ends another one: a retirement that was undone, a
// hold that was released.
const (
	undone   = ".undone"
	released = ".released"
)

// Ending gives the name of the mark that ends a hold or a retirement for good.
func Ending(mark string) string {
	if strings.HasPrefix(mark, Holds+"/") {
		return mark + released
	}
	return mark + undone
}

// ParseEnding is the inverse of Ending. It gives the capture that the mark is about,
// too.
func ParseEnding(name string) (mark, capture string, err error) {
	mark, ok := strings.CutSuffix(name, undone)
	if !ok {
		mark, ok = strings.CutSuffix(name, released)
	}
	capture, err = ParseMark(mark)
	if !ok || err != nil || Ending(mark) != name {
		return "", "", fmt.Errorf("%q: %w", name, errMark)
	}
	return mark, capture, nil
}
