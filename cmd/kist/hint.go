package main

import (
	"cmp"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// advice is hint, by what the command does.
func (a *app) advice(err error) string {
	switch h := hint(err); {
	case a.makes:
		return cmp.Or(setupHint(err), h)
	case a.looks && h == mayWrite:
		return "Run it as a user who may read the repository's folder."
	default:
		return h
	}
}

// mayWrite is a hint to who may not.
const mayWrite = "Run it as a user who may read and write in the repository's folder."

// setupHint says what can be done about an error of the place in which a repository is to be made, which has nothing yet; "" where
// that is the same as of one that is there.
func setupHint(err error) string {
	of := (*storage.Error)(nil)
	if !errors.As(err, &of) {
		return ""
	}
	inBucket := where.IsAddress(of.Folder)
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return "Nothing was made: there is no room. Free some, or choose another place, and run it again."
	case errors.Is(err, syscall.EROFS):
		return "Nothing was made: what the folder lies on is mounted read-only. The system's log may say why."
	case errors.Is(err, syscall.EIO):
		return "The disk or the share failed: look at the system's log, and run it again once it works."
	case errors.Is(err, fs.ErrPermission) && !inBucket:
		return "Nothing was made. Run it as a user who may write there, or choose another place."
	case errors.Is(err, storage.ErrNotEmpty) && slices.ContainsFunc(partsOf(), func(part string) bool { return holdsFiles(filepath.Join(of.Folder, part)) }):
		return partsLeft
	}
	return ""
}

// partsLeft is said where a repository is to be made among parts of one.
const partsLeft = "Parts of a repository lie there: of one that lost its kist.json, of which kist list tells more, or of a kist setup that was killed. Remove nothing before you know which."

// hint says what can be done about an error of the repository's folder, or gives
// "".
func hint(err error) string {
	switch {
	case errors.Is(err, store.ErrRetired):
		return "kist retire --undo takes that back."
	case errors.Is(err, store.ErrStranger):
		return "kist help verify tells more: --accept-new-root takes it as it is, and forgets what was known."
	case errors.Is(err, store.ErrVanished):
		return "kist repair tells how to give them up."
	case errors.Is(err, store.ErrUnexplained):
		return "If it is that, kist reclaim --accept-unexplained frees it."
	case errors.Is(err, store.ErrNoDeltas):
		return "kist settings --deltas on stores them from now on, and kist reclaim --to-deltas what is there already."
	case errors.Is(err, store.ErrSamePlace), errors.Is(err, store.ErrNotReplica):
		return "kist setup --replica-of makes a second place of a repository, where nothing is yet; with --again, of one that lost the mark of which place it is."
	}
	var unclear *store.AmbiguousError
	if errors.As(err, &unclear) {
		return hostHint(unclear.Captures)
	}
	var of *storage.Error
	if busy := (*store.BusyError)(nil); errors.As(err, &busy) {
		return "Nothing is lost: run it again when that is done; " + lapseText(busy.Writer) + ". kist list --writers shows who is at work."
	}
	if (errors.Is(err, store.ErrBusy) || errors.Is(err, store.ErrOvertaken)) && !errors.Is(err, storage.ErrLate) {
		return "Nothing is lost; kist list --writers shows who is at work."
	}
	if errors.Is(err, crypt.ErrForgedSlot) || errors.Is(err, crypt.ErrSlotTooCheap) {
		return "Somebody who can write where the repository lies put key slots there. See who can, and whether it still is the repository that you know, before you type a passphrase again."
	}
	if !errors.As(err, &of) {
		return ""
	}
	if where.IsAddress(of.Folder) {
		return bucketHint(err)
	}
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return "The disk is full: free some space, and run it again: what has arrived is used. kist retire and kist reclaim free what no capture needs, and find room for that in the reserve."
	case errors.Is(err, syscall.EROFS):
		return "The folder is mounted read-only: the system's log may say why. Captures that are listed are as they were."
	case errors.Is(err, syscall.EIO):
		return "The disk or the share failed: look at the system's log, and at kist verify once it works again. Run it again then: what has arrived is used."
	case errors.Is(err, fs.ErrPermission):
		return mayWrite
	}
	return ""
}

// baseHint says what is wrong where content can't be read as what it was stored by can't, and what to do about it.
func baseHint(content string, err error) string {
	return content + " was stored as what differs from a base in " + firstOf(store.DamagedObjects(err), 5) + ", which is missing or damaged: put that file back if a copy of the repository has it."
}

// bucketHint is hint for an error of an object store, whose own text says what is to be done there.
func bucketHint(err error) string {
	switch {
	case errors.Is(err, syscall.EDQUOT):
		return "Run it again when there is room: what has arrived is used. kist retire and kist reclaim free what no capture needs."
	case errors.Is(err, fs.ErrPermission):
		return "The key may have to list the bucket, and to put, read and remove below the prefix: README tells which commands do without removing."
	case where.IsAway(err):
		return againText
	}
	return ""
}

// works are the words by which notes of the library speak of work to be done, and the
// commands that do it. Notes have no kinds: the library says what is so, in these words.
func works() [][2]string {
	return [][2]string{
		{"retiring it again", "kist retire --undo, then kist retire"},
		{"reclaiming", "kist reclaim"},
		{"repairing", "kist repair"},
	}
}

// noteText is a note of the library as it is shown, with the command that it speaks of.
func noteText(note string) string {
	shown := screen.Line(note)
	for _, w := range works() {
		if strings.Contains(note, w[0]) {
			return shown + " (" + w[1] + ")"
		}
	}
	return shown
}
