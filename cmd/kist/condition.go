package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

// Only a write shows whether a bucket heeds the condition of writes. So runs that write see it, and note here what kist status,
// which writes nothing, is to tell.

// ignoring is a bucket that knew conditional writes when the repository was made, and ignored them when this machine last wrote there.
type ignoring struct {
	Place string    `json:"place"`
	At    time.Time `json:"at"`
}

// text says so where something is wanted.
func (i *ignoring) text() string {
	return fmt.Sprintf("%s ignored conditional writes (If-None-Match) when this machine last wrote there, at %s: see what was changed in the bucket, and until then let one machine at a time write there",
		screen.Printable(i.Place), screen.LocalTime(i.At))
}

// noteCondition warns of a bucket that ignores the condition of writes by now, and notes whether it does.
func (a *app) noteCondition(at where.Place, heeded bool) {
	note, keeps := a.conditionNote(at)
	if heeded {
		if keeps {
			os.Remove(note)
		}
		return
	}
	a.Warn("%s ignores conditional writes (If-None-Match) by now, or lost what it took: of two machines that write one name at once the last would win, and the capture of the other be lost. "+
		"Some object stores do so once a bucket keeps versions: see what was changed, and until then let one machine at a time write there; kist verify tells what is lost", at.Text())
	if !keeps {
		return
	}
	err := os.MkdirAll(filepath.Dir(note), 0o700)
	if err == nil {
		seen := ignoring{at.Full(), time.Now().UTC().Truncate(time.Second)}
		err = files.Write(note, true, func(w io.Writer) error { return files.EncodeExact(w, seen) })
	}
	if err != nil {
		a.Warn("kist status will not tell that, as it could not be noted: %s", screen.Text(err.Error()))
	}
}

// ignoresCondition gives what was noted of a bucket; nil: nothing was. What can't be read was never told by this machine.
func (a *app) ignoresCondition(at where.Place) *ignoring {
	note, keeps := a.conditionNote(at)
	if !keeps || !at.InBucket() {
		return nil
	}
	const most = 64 << 10 // more than any note has
	b, err := files.ReadMine(note, most)
	var seen ignoring
	if err != nil || files.UnmarshalExact(b, &seen) != nil || seen.Place != at.Full() {
		return nil
	}
	return &seen
}

// conditionNote gives where it is noted of a bucket; false: this machine keeps nothing.
func (a *app) conditionNote(at where.Place) (path string, keeps bool) {
	dir, _ := places.State(a.getenv)
	sum := sha256.Sum256([]byte(at.Full()))
	return filepath.Join(dir, "condition", hex.EncodeToString(sum[:8])+".json"), dir != ""
}
