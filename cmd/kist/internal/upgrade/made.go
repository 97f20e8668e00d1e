package upgrade

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// MadeError says that what is asked for does not fit what an upgrade on this machine made of a service.
type MadeError struct {
	Service string
	Runs    string    // what that upgrade made it
	Before  string    // what that took the place of
	Since   time.Time // it began

	From, To string // asked for; From is "" of a container, whose image tells
	Back     string // what goes back
	NoUndo   bool   // nothing does any more
}

func (e *MadeError) Error() string {
	made := fmt.Sprintf("an upgrade that began at %s made %s %s", screen.LocalTime(e.Since), screen.Line(e.Service), screen.Line(e.Runs))
	insist := "--accept-version does it all the same, where what runs was changed since by other means"
	if !e.NoUndo {
		insist += "; the way back of that upgrade is lost then"
	}
	switch {
	case e.From != "" && e.To == e.Runs:
		return fmt.Sprintf("%s runs %s already: %s, and nothing was done. %s", screen.Line(e.Service), screen.Line(e.Runs), made, insist)
	case e.To == e.Before:
		return fmt.Sprintf("%s: %s, from %s, and nothing was done. %s; this would start %s on what %s wrote, which it may not read, or ruin. %s",
			screen.Line(e.Service), made, screen.Line(e.Before), e.Back, screen.Line(e.To), screen.Line(e.Runs), insist)
	}
	return fmt.Sprintf("%s: %s, not %s, and nothing was done: its data would be captured as that of %s, and started with it when going back. Give --version %s. %s",
		screen.Line(e.Service), made, screen.Line(e.From), screen.Line(e.From), screen.Line(e.Runs), insist)
}

// back says what goes back from what a record tells of, by the flag that names the service.
func (r *Record) back(flag string) string {
	if r.NoUndo {
		return fmt.Sprintf("The old container was removed since: once this one has another name, or is removed, kist restore %s %s --create makes it once more, with the data of then", r.Capture, flag)
	}
	return "kist upgrade " + flag + " --undo goes back, with the data of then"
}

// CheckMade fails with a [MadeError] where an upgrade on this machine made a service that commands stop and start
// another version than q.From, or took the place of q.To.
func (u *Upgrader) CheckMade(q *ByCommands) error {
	done, err := u.MadeByCommands(q.Name)
	if errors.Is(err, ErrNoUpgrade) || errors.Is(err, ErrOpen) { // what is open, begin refuses
		return nil
	}
	if err != nil || q.From == done.Image && q.To != done.OldImage {
		return err
	}
	return &MadeError{Service: q.Name, Runs: done.Image, Before: done.OldImage, Since: done.Began, NoUndo: done.NoUndo, From: q.From, To: q.To, Back: done.back("--name " + screen.ShellQuote(q.Name))}
}

// CheckMadeContainer fails with a [MadeError] where an upgrade on this machine made a container, and took the place of the
// image that is asked for.
func (u *Upgrader) CheckMadeContainer(q *Request) error {
	done, err := u.Made(q.Container)
	if errors.Is(err, ErrNoUpgrade) || errors.Is(err, ErrOpen) {
		return nil
	}
	if err != nil || q.Target() != done.OldImage || q.Target() == q.Container.ImageName {
		return err
	}
	return &MadeError{Service: q.Container.Name, Runs: done.Image, Before: done.OldImage, Since: done.Began, NoUndo: done.NoUndo, To: q.Target(), Back: done.back("--container " + screen.ShellQuote(q.Container.Name))}
}

// ErrOpen is returned for a service whose upgrade is not at its end.
var ErrOpen = errors.New("it is not at its end. Wait until it is; kist resume ends one that was killed or waits for somebody")

// openOf fails with ErrOpen where an upgrade of a service is open.
func openOf(dir string, is func(*Record) bool) error {
	open, err := binding(dir)
	if err != nil {
		return err
	}
	for _, r := range open {
		if is(&r) {
			return fmt.Errorf("%s: an upgrade to %s began at %s, and nothing was done: %w", screen.Line(r.Container), screen.Line(r.Image), screen.LocalTime(r.Began), ErrOpen)
		}
	}
	return nil
}

// isOfContainer tells whether an upgrade is of a container, or of what bore its name.
func isOfContainer(c *engine.Container) func(*Record) bool {
	return func(r *Record) bool { return r.IsOf(c.ID) || r.Up == "" && r.Container == c.Name }
}

// WaysBack gives the records of upgrades that an undo can go back from, as far as these tell, the newest first. What can't be read is left out.
func (u *Upgrader) WaysBack() (all []Record, err error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, nil // nor could a record have been written
	}
	all, err = doneIn(dir)
	return slices.DeleteFunc(all, func(r Record) bool { return r.Undone || r.NoUndo }), err
}

// doneIn gives the records of upgrades that went well, the newest first. What can't be read is left out.
func doneIn(dir string) (all []Record, err error) {
	found, err := files.Matching(dir, doneNames)
	for _, path := range found {
		j, err := take(path)
		if j == nil || err != nil {
			continue
		}
		if path == donePath(dir, j.New) {
			all = append(all, j.Record)
		}
		j.release()
	}
	slices.SortStableFunc(all, func(a, b Record) int { return b.Began.Compare(a.Began) })
	return all, err
}
