package upgrade

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// SetAside is a container that an upgrade took out of its place and kept.
type SetAside struct {
	Name   string    `json:"name"` // that it was set aside under
	ID     string    `json:"id"`
	Of     string    `json:"of"` // the service
	Image  string    `json:"image"`
	Engine string    `json:"engine"`
	Since  time.Time `json:"since"` // the upgrade, or going back, began

	Running bool `json:"-"`
	Needed  Need `json:"-"`

	made string // the container that took its place, by an undo of which it would come back
}

// Need says what a container that is set aside is needed for yet.
type Need string

// All needs.
const (
	Unneeded    Need = ""
	NeededUndo  Need = "undo"    // kist upgrade --undo would start it again
	NeededStill Need = "upgrade" // one that is not at its end
)

// Errors of RemoveAside.
var (
	ErrNeededUndo  = errors.New("an undo would start it again")
	ErrNeededStill = errors.New("an upgrade that is not at its end is about it: wait until it is; kist resume ends one that was killed or waits for somebody")
	ErrRuns        = errors.New("it runs, and is not removed: stop it first, and see what started it")
)

const (
	asideNames = "aside-*.json"
	maxAside   = 1 << 20
)

func asidePath(dir, id string) string { return filepath.Join(dir, "aside-"+id+".json") }

// noteAside notes that the new container is about to be set aside: the journal that knows it goes.
func (p *pair) noteAside() {
	if p.New == "" {
		return
	}
	s := SetAside{Name: p.Failed, ID: p.New, Of: p.Container, Image: p.Image, Engine: p.Engine, Since: p.Began}
	err := files.Write(asidePath(p.dir, s.ID), true, func(w io.Writer) error { return files.EncodeExact(w, s) })
	if err != nil { // a note is not worth a service that is down
		p.screen.Warn("kist kept will not know of container %s: %s", screen.Printable(s.Name), screen.Text(err.Error()))
	}
}

// SetAside gives the containers that upgrades on this machine set aside and that are there yet under the names they got then,
// the oldest first. What can't be read or asked for is told by the error, beside those that were found.
func (u *Upgrader) SetAside(ctx context.Context) (all []SetAside, err error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, nil // nor could anything have been noted
	}
	noted, err := u.notedAside(dir)
	errs := []error{err}
	for _, s := range noted {
		there, err := u.lookAside(ctx, &s)
		switch {
		case errors.Is(err, engine.ErrNotFound):
			if s.Needed == Unneeded {
				errs = append(errs, forgetAside(dir, s.ID))
			}
		case err != nil:
			errs = append(errs, fmt.Errorf("whether container %s, which was set aside, is there yet: %w", screen.Line(s.Name), err))
		case there:
			all = append(all, s)
		}
	}
	return all, errors.Join(errs...)
}

// lookAside looks whether a container has the name yet that it was set aside under: under another one it is somebody's.
func (u *Upgrader) lookAside(ctx context.Context, s *SetAside) (there bool, err error) {
	e := u.Engine(s.Engine)
	c, err := e.Inspect(ctx, s.ID)
	if err != nil || c.ID != s.ID || c.Name != s.Name {
		return false, err
	}
	s.Running = c.Running
	if s.Needed == NeededUndo {
		if err := u.lookNeeded(ctx, e, s); err != nil {
			return false, err
		}
	}
	return true, nil
}

// lookNeeded looks whether an undo can start it yet: where what took its place is gone, only while nothing else has the name.
func (u *Upgrader) lookNeeded(ctx context.Context, e *engine.Engine, s *SetAside) error {
	_, err := e.Inspect(ctx, s.made)
	if !errors.Is(err, engine.ErrNotFound) {
		return err
	}
	_, err = e.Inspect(ctx, s.Of)
	if errors.Is(err, engine.ErrNotFound) {
		return nil
	}
	s.Needed = Unneeded
	return err
}

// notedAside gives what journals, records and notes say of containers that are set aside, each once, by the newest.
func (u *Upgrader) notedAside(dir string) (all []SetAside, err error) {
	if err := folderOf(dir).Check(); err != nil {
		if !files.IsFolder(dir) {
			return nil, nil
		}
		return nil, err
	}
	open, failed := openIn(dir)
	if _, ok := errors.AsType[*UnreadError](failed); ok {
		failed = nil // Recover names them, and RemoveAside fails
	}
	errs := []error{failed}
	for _, r := range open {
		if r.Up == "" {
			all = append(all, r.oldAside(NeededStill), SetAside{r.Failed, r.New, r.Container, r.Image, r.Engine, r.Began, false, NeededStill, ""})
		}
	}
	back, failed := u.WaysBack()
	errs = append(errs, failed)
	for _, r := range back {
		if r.Up == "" {
			all = append(all, r.oldAside(NeededUndo))
		}
	}
	notes, failed := files.Matching(dir, asideNames)
	errs = append(errs, failed)
	for _, path := range notes {
		s, err := readAside(path)
		if err != nil {
			errs = append(errs, fmt.Errorf("note %s of a container that was set aside: %w", screen.Line(path), err))
			continue
		}
		all = append(all, *s)
	}
	// What is open counts, and else the newest: one that was set aside may have been put in place by hand, and set aside again.
	slices.SortStableFunc(all, func(x, y SetAside) int {
		return cmp.Or(openFirst(x.Needed)-openFirst(y.Needed), y.Since.Compare(x.Since))
	})
	seen := make(map[string]bool)
	all = slices.DeleteFunc(all, func(s SetAside) bool {
		known := s.ID == "" || seen[s.ID]
		seen[s.ID] = true
		return known
	})
	slices.SortFunc(all, func(x, y SetAside) int { return cmp.Or(x.Since.Compare(y.Since), strings.Compare(x.Name, y.Name)) })
	return all, errors.Join(errs...)
}

func openFirst(n Need) int {
	if n == NeededStill {
		return 0
	}
	return 1
}

func (r *Record) oldAside(need Need) SetAside {
	return SetAside{r.Before, r.Old, r.Container, r.OldImage, r.Engine, r.Began, false, need, r.New}
}

func readAside(path string) (*SetAside, error) {
	f, err := files.OpenOwn(path, os.O_RDONLY)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxAside))
	if err != nil {
		return nil, err
	}
	var s SetAside
	if err := files.UnmarshalExact(b, &s); err != nil {
		return nil, fmt.Errorf("%w: remove it", err)
	}
	if s.Name == "" || asidePath(filepath.Dir(path), s.ID) != path {
		return nil, errors.New("it is not about the container of its name: remove it")
	}
	return &s, nil
}

func forgetAside(dir, id string) error {
	if err := os.Remove(asidePath(dir, id)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// RemoveAside removes a container that was set aside, for good; its volumes stay. What is needed is looked at again. It fails
// with ErrRuns for one that runs, with ErrNeededStill, with ErrNeededUndo unless that is accepted, and with
// engine.ErrNotFound for one that is gone or has another name by now.
func (u *Upgrader) RemoveAside(ctx context.Context, s *SetAside, acceptNoUndo bool) error {
	failed := func(err error) error { return fmt.Errorf("container %s: %w", screen.Line(s.Name), err) }
	dir, err := u.Folder()
	if err != nil {
		return failed(err)
	}
	if _, err := u.Opened(); err != nil { // a journal that can't be read may be about it
		return failed(err)
	}
	noted, err := u.notedAside(dir)
	if err != nil {
		return failed(err)
	}
	at := slices.IndexFunc(noted, func(now SetAside) bool { return now.ID == s.ID && now.Name == s.Name })
	if at < 0 {
		return failed(engine.ErrNotFound)
	}
	now := &noted[at]
	there, err := u.lookAside(ctx, now)
	switch {
	case err != nil:
		return failed(err)
	case !there:
		return failed(engine.ErrNotFound)
	case now.Running:
		return failed(ErrRuns)
	case now.Needed == NeededStill:
		return failed(ErrNeededStill)
	case now.Needed == NeededUndo && !acceptNoUndo:
		return failed(ErrNeededUndo)
	}
	if err := u.Engine(now.Engine).Remove(ctx, now.ID); err != nil {
		return failed(err)
	}
	if now.Needed == NeededUndo {
		if err := noUndo(dir, now.made); err != nil {
			return failed(fmt.Errorf("it is removed, but not noted as that: %w", err))
		}
	}
	return forgetAside(dir, now.ID)
}

// noUndo says in a record that there is nothing to go back to any more: else what an undo would need is kept for nothing. The
// record stays, since an older version is not to be started on what the newer one wrote.
func noUndo(dir, made string) error {
	done, err := take(donePath(dir, made))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if done == nil {
		return errBusy
	}
	defer done.release()
	done.NoUndo = true
	return done.write()
}
