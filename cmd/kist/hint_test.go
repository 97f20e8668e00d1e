package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
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

// TestAdvice: what helps where a repository is there may be nothing to do where one is to be made, or who only looks can't do.
func TestAdvice(t *testing.T) {
	of := func(folder string, err error) error {
		return fmt.Errorf("writing: %w", &storage.Error{Op: "put", Name: "reserve/x", Folder: folder, Err: err})
	}
	parts := t.TempDir()
	for _, dir := range []string{"keyslots", "slabs"} {
		if err := os.Mkdir(filepath.Join(parts, dir), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(parts, "keyslots", "x"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	setup, list, capture := &app{makes: true}, &app{looks: true}, &app{}
	for _, test := range []struct {
		app  *app
		err  error
		want string
	}{
		{setup, of("repo", syscall.ENOSPC), "Nothing was made: there is no room."},
		{setup, of("s3://seeds/hazel", syscall.EDQUOT), "Nothing was made: there is no room."},
		{setup, of("repo", syscall.EROFS), "Nothing was made: "},
		{setup, of("repo", syscall.EIO), "look at the system's log, and run it again once it works."},
		{setup, of("repo", fs.ErrPermission), "Nothing was made. Run it as a user who may write there"},
		{setup, of("s3://seeds/hazel", fs.ErrPermission), "The key may have to list the bucket"},
		{setup, of(parts, storage.ErrNotEmpty), "Remove nothing"},
		{setup, of(t.TempDir(), storage.ErrNotEmpty), ""},
		{setup, store.ErrNotReplica, "kist setup --replica-of"},
		{list, of("repo", fs.ErrPermission), "as a user who may read the repository's folder."},
		{list, of("repo", syscall.EIO), "look at the system's log"},
		{capture, of("repo", syscall.ENOSPC), "kist retire and kist reclaim"},
		{capture, of("repo", fs.ErrPermission), "as a user who may read and write"},
	} {
		got := test.app.advice(test.err)
		if !strings.Contains(got, test.want) || (got == "") != (test.want == "") {
			t.Errorf("%v: %q, without %q", test.err, got, test.want)
		}
		if test.app.makes && (strings.Contains(got, "arrived") || strings.Contains(got, "kist reclaim")) {
			t.Errorf("%v: %q speaks of a repository that is not made", test.err, got)
		}
	}
}

// TestLeftBy: kist resume is named where it has something to do, and nowhere else.
func TestLeftBy(t *testing.T) {
	for line, want := range map[string]string{
		"capture --stop --container x": "kist resume", "--quiet restore x --into y": "kist kept", "setup": "kist list", "demo": "temporary",
		"list": "", "serve --listen x": "", "": "",
	} {
		if got := leftBy(strings.Fields(line)); !strings.Contains(got, want) || (got == "") != (want == "") {
			t.Errorf("%s: %q", line, got)
		}
	}
}

// TestMayNotRead: what to do is said of data, and not of the repository.
func TestMayNotRead(t *testing.T) {
	var told *advised
	if err := mayNotRead(&fs.PathError{Op: "open", Path: "/srv/x", Err: syscall.EACCES}); !errors.As(err, &told) || !strings.Contains(told.advice, "--exclude") {
		t.Error(err)
	}
	for _, err := range []error{nil, io.EOF, &storage.Error{Op: "put", Err: fs.ErrPermission}} {
		if got := mayNotRead(err); got != err {
			t.Errorf("%v became %v", err, got)
		}
	}
}

// TestHeedUsed: what came into a folder since a restore looked is replaced only by one that may.
func TestHeedUsed(t *testing.T) {
	dir := t.TempDir()
	its, err := volume.IdentityOf(dir)
	if err != nil || its.Inode == 0 {
		t.Skip("no inode numbers: ", err)
	}
	for _, test := range []struct {
		s    restoring
		full bool
		told volume.Identity
		ends bool
	}{
		{restoring{}, false, its, false},
		{restoring{}, true, its, true},
		{restoring{}, true, volume.Identity{Inode: 1}, false}, // of what is built
		{restoring{replace: true}, true, its, false},
		{restoring{only: true}, true, its, false},
	} {
		if test.full {
			if err := os.WriteFile(filepath.Join(dir, "seeds"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		told := 0
		o := store.FolderOptions{Aside: func(volume.Identity) error { told++; return nil }}
		test.s.heedUsed(&o, dir)
		if err := o.Aside(test.told); (err != nil) != test.ends || (told == 0) != test.ends {
			t.Errorf("%+v, full %v: %v, told %d times", test.s, test.full, err, told)
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
