package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

func TestHint(t *testing.T) {
	of := func(err error) error {
		return fmt.Errorf("writing: %w", &storage.Error{Op: "put", Name: "slabs/x", Err: err})
	}
	for _, test := range []struct {
		err  error
		want string
	}{
		{of(syscall.ENOSPC), "The disk is full"},
		{of(syscall.EROFS), "read-only"},
		{of(syscall.EIO), "the system's log"},
		{of(fs.ErrPermission), "as a user"},
		{of(errors.New("something else")), ""},
		{syscall.ENOSPC, ""}, // of the data, not of the repository
		{fmt.Errorf("%w: hazel", store.ErrBusy), "--writers"},
		{store.ErrOvertaken, "Nothing is lost"},
		{fmt.Errorf("%w (%w)", store.ErrOvertaken, of(storage.ErrLate)), ""}, // as something may be
		{&store.BusyError{Writer: store.Writer{Work: "reclaim", Seen: time.Date(2026, 3, 14, 2, 3, 30, 0, time.Local)}}, "it counts until 2026-03-14 02:34 "}, // 30 min and a little: FORMAT.md, section 10
		{fmt.Errorf("capture x: %w", store.ErrRetired), "kist retire --undo"},
		{fmt.Errorf("repository x: %w", store.ErrStranger), "--accept-new-root"},
		{&store.VanishedError{Captures: []string{"x"}}, "kist repair"},
		{fmt.Errorf("%w: 2 slabs", store.ErrUnexplained), "--accept-unexplained"},
		{store.ErrNoDeltas, "kist settings --deltas on"},
		{store.ErrSamePlace, "kist setup --replica-of"},
		{store.ErrNotReplica, "kist setup --replica-of"},
	} {
		if got := hint(test.err); !strings.Contains(got, test.want) || (got == "") != (test.want == "") {
			t.Errorf("%v: %q", test.err, got)
		}
	}
}

// TestNoteText: notes get the command that they speak of; how they come out of the library
// is held by the scripts damage and reclaim.
func TestNoteText(t *testing.T) {
	for note, want := range map[string]string{
		"retired/x is cut short, and nothing needs it: reclaiming removes it":            "retired/x is cut short, and nothing needs it: reclaiming removes it (kist reclaim)",
		"leases/x can't be read (repairing removes such marks)":                          "leases/x can't be read (repairing removes such marks) (kist repair)",
		"its grace time begins late; taking that back and retiring it again begins anew": "its grace time begins late; taking that back and retiring it again begins anew (kist retire --undo, then kist retire)",
		"slabs/x\x1b is no object of kist":                                               `slabs/x\x1b is no object of kist`,
	} {
		if got := noteText(note); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}

// A text goes on behind an error, be that a question.
func TestSentence(t *testing.T) {
	for text, want := range map[string]string{
		"no answer": "no answer.", "is its server up?": "is its server up?", "nothing was made.": "nothing was made.", "a \x1b": `a \x1b.`,
		"open: " + errNoAnswer.Error(): "open: there was no answer in time: is its server up?",
	} {
		if got := sentence(errors.New(text)); got != want {
			t.Errorf("%q gives %q", text, got)
		}
	}
}
