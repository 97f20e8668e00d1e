package store

import (
	"bytes"
	"fmt"
	"maps"
	"strings"
)

// Change says in which ways a member differs; several are added up by |.
type Change uint16

// The ways in which members differ. A member that is only in one of both captures has one
// of the first two, and no other.
const (
	ChangeAdded      Change = 1 << iota // it is in the second capture only
	ChangeGone                          // it is in the first capture only
	ChangeContents                      // what is in the file
	ChangeType                          // such as a file that became a folder; the numbers of a device
	ChangeLink                          // where a link leads
	ChangeMode                          // permissions
	ChangeOwner                         // user or group, by number or by name
	ChangeTime                          // of modification
	ChangeAttributes                    // extended attributes, and whatever else the header says
)

var changeWords = []string{"added", "gone", "contents", "type", "link", "mode", "owner", "time", "attributes"}

// String gives the words of all changes, such as "contents, time"; "" for none.
func (c Change) String() string { return strings.Join(c.Words(), ", ") }

// Words gives a word for each change, in the order of the constants; nil for none.
func (c Change) Words() (words []string) {
	for i, word := range changeWords {
		if c&(1<<i) != 0 {
			words = append(words, word)
		}
	}
	return words
}

// ParseChanges is the inverse of String; spaces don't matter. It fails with [ErrBadOptions] for
// what is no such word.
func ParseChanges(text string) (Change, error) {
	var all Change
	for word := range strings.SplitSeq(text, ",") {
		c := changeOf(strings.TrimSpace(word))
		if c == 0 {
			return 0, fmt.Errorf("%w: %q is no kind of change: there are %s", ErrBadOptions, word, strings.Join(changeWords, ", "))
		}
		all |= c
	}
	return all, nil
}

func changeOf(word string) Change {
	for i, w := range changeWords {
		if w == word {
			return 1 << i
		}
	}
	return 0
}

// changesOf says in which ways a member differs.
func changesOf(was, is *Member, contents bool) (c Change) {
	switch {
	case was == nil:
		return ChangeAdded
	case is == nil:
		return ChangeGone
	}
	for change, differs := range map[Change]bool{
		ChangeContents: contents,
		ChangeType:     was.Type != is.Type || was.DevMajor != is.DevMajor || was.DevMinor != is.DevMinor,
		ChangeLink:     was.Link != is.Link,
		ChangeMode:     was.Mode.Perm() != is.Mode.Perm() || special(was) != special(is),
		ChangeOwner:    was.UID != is.UID || was.GID != is.GID || was.User != is.User || was.Group != is.Group,
		ChangeTime:     !was.Modified.Equal(is.Modified),
		ChangeAttributes: !maps.EqualFunc(was.Attributes, is.Attributes, bytes.Equal) ||
			!contents && (was.Sparse != is.Sparse || was.Size != is.Size || was.Stored != is.Stored),
	} {
		if differs {
			c |= change
		}
	}
	return c
}
