package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// lossReport ends a restore that brought back less than was captured, after all of it was said.
type lossReport struct{ text string }

func (e *lossReport) Error() string { return e.text }

// isLossReport tells whether that is all that is wrong.
func isLossReport(err error) bool {
	var report *lossReport
	return errors.As(err, &report)
}

// isLossy tells whether a restore failed by what is not there to be restored.
func isLossy(err error) bool {
	return errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrNothingWhole) || errors.Is(err, store.ErrUnfinished)
}

// findLosses finds out what of volumes is lost, and lists it. It gives cause where nothing is.
func (s *restoring) findLosses(ctx context.Context, volumes []*store.Volume, cause error) (all []*store.Losses, err error) {
	s.app.Warn("%s", screen.Text(cause.Error()))
	s.app.Say("Looking for what is whole.")
	none := true
	for _, v := range volumes {
		progress, end := s.app.progress("reading")
		l, err := s.r.FindLosses(ctx, v, progress)
		end()
		if err != nil {
			return nil, fmt.Errorf("volume %s: %w", screen.Line(v.Name), err)
		}
		none = none && l.None()
		all = append(all, l)
	}
	if none {
		return nil, cause
	}
	s.listLosses(all)
	return all, nil
}

// listLosses prints what is lost of what was asked for, in the result with --json.
func (s *restoring) listLosses(all []*store.Losses) {
	out := s.app.Out
	if s.toStream {
		out = nil
	}
	before := ""
	say := func(v *store.Volume, what string, err error) {
		cause := screen.Line(reasonOf(err))
		line := fmt.Sprintf("lost  %s:%s  (%s)", screen.Printable(v.Name), screen.Printable(what), shortCause(cause, before))
		before = cause
		switch {
		case s.app.JSON && out != nil:
		case out == nil:
			s.app.Warn("%s", line)
		default:
			s.app.Printf("%s\n", line)
		}
	}
	var bases []error
	for _, l := range all {
		for _, m := range l.Members {
			if s.only && !s.wanted.Match(m.Path) {
				continue
			}
			s.lost++
			s.result.Lost = append(s.result.Lost, newLost(l.Volume, m))
			say(l.Volume, m.Path, m.Err)
			if errors.Is(m.Err, store.ErrBase) {
				bases = append(bases, m.Err)
			}
		}
		if l.Ends != nil {
			s.result.Incomplete = append(s.result.Incomplete, partly{l.Volume.Name, reasonOf(l.Ends)})
			say(l.Volume, "", fmt.Errorf("all that came behind the last member that is known: %w", l.Ends))
		}
		if l.Unproved != nil {
			s.result.Unproved = append(s.result.Unproved, partly{l.Volume.Name, reasonOf(l.Unproved)})
			s.app.Warn("volume %s: %s. kist repair may bring the tables back that would show it.", screen.Printable(l.Volume.Name), screen.Line(reasonOf(l.Unproved)))
		}
	}
	if len(bases) > 0 {
		what := "What is lost"
		if len(bases) < s.lost {
			what = "Some of what is lost"
		}
		s.app.Warn("%s", baseHint(what, errors.Join(bases...)))
	}
}

// shortCause gives the cause of a loss as it is listed below one that has another cause, or the same.
func shortCause(cause, before string) string {
	if cause == before {
		return "as the one above"
	}
	return cause
}

// reasonOf gives the text of an error in one line.
func reasonOf(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }

// lossesOf gives what is known to be lost of a volume, or nil.
func lossesOf(all []*store.Losses, v *store.Volume) *store.Losses {
	for _, l := range all {
		if l.Volume == v {
			return l
		}
	}
	return nil
}

// rescueFolder restores what is whole: beside what a folder holds, or, where losses are accepted or it
// holds nothing, into it.
func (s *restoring) rescueFolder(ctx context.Context, volumes []*store.Volume, dir string, cause error) error {
	losses, err := s.findLosses(ctx, volumes, cause)
	if err != nil {
		return err
	}
	full, err := holdsSomething(dir)
	if err != nil {
		return err
	}
	done, err := s.putFolder(ctx, volumes, dir, func(o *store.FolderOptions) {
		o.Losses, o.Beside = losses, full && !s.accept
		if !o.Beside {
			s.heedUsed(o, dir)
		}
	})
	if err != nil || done == nil {
		return err
	}
	if done.Beside != "" {
		return s.endLossy(fmt.Sprintf("What is whole is in %s, and %s is as it was. --accept-losses puts it in its place.", done.Beside, shownDir(dir)))
	}
	return s.endLossy("What is whole is in " + shownDir(dir) + ".")
}

// endLossy gives the error that a restore with losses ends with.
func (s *restoring) endLossy(text string) error {
	what := "something is lost behind the members that are known. "
	if s.lost > 0 {
		what = screen.Count(s.lost, "member is", "members are") + " lost and listed above. "
	}
	return &statusError{statusDamage, &lossReport{what + text + "\n" + cmp.Or(s.app.mendFrom(), "kist repair may mend what is damaged, if another capture, a second place or a copy of the repository still has it (--from OTHER).")}}
}

// endDropped lists what a repair gave up of volumes, and of the capture volumes that are gone, and gives the error that
// a restore ends with, of which err came.
func (s *restoring) endDropped(err error, capture *store.Capture, volumes []*store.Volume) error {
	if err != nil && !isLossReport(err) {
		return err
	}
	concerned := false
	for i := range capture.Volumes {
		v := &capture.Volumes[i]
		for _, what := range v.Dropped {
			gone := strings.HasPrefix(what, droppedVolume)
			if !gone && !slices.Contains(volumes, v) || gone && len(volumes) < len(capture.Volumes) || s.only && !mayMatch(what, s.wanted.Match) {
				continue
			}
			concerned = true
			s.result.Dropped = append(s.result.Dropped, partly{v.Name, what})
			if !gone {
				what = v.Name + ":" + what
			}
			line := fmt.Sprintf("dropped  %s  (a repair gave it up)", screen.Printable(what))
			if s.toStream || s.app.JSON {
				s.app.Warn("%s", line)
			} else {
				s.app.Printf("%s\n", line)
			}
		}
	}
	if !concerned || err != nil {
		return err
	}
	return &statusError{statusDamage, &lossReport{fmt.Sprintf("What is left of capture %s came back; what a repair gave up of it, and is listed, did not.", capture.ID)}}
}

// droppedVolume begins what tells of a volume that was given up as a whole.
const droppedVolume = "all of volume "

// mayMatch tells whether some of what was given up may be wanted, as far as it was noted.
func mayMatch(what string, match func(string) bool) bool {
	for name := range strings.SplitSeq(what, ", ") {
		if strings.HasPrefix(name, "and ") && strings.HasSuffix(name, " more") || match(name) {
			return true
		}
	}
	return false
}

// streamWhole writes what is whole to standard output, after all was read once.
func (s *restoring) streamWhole(ctx context.Context, v *store.Volume) error {
	if err := s.checkPatterns(ctx, []*store.Volume{v}); err != nil {
		return err
	}
	s.toStream = true
	l, err := s.r.FindLosses(ctx, v, nil)
	if err != nil {
		return err
	}
	all := []*store.Losses{l}
	if err := s.writeWhole(ctx, v, all, s.app.Out); err != nil || l.None() {
		return err
	}
	s.listLosses(all)
	return s.endLossy("What is whole was written.")
}

// rescueTar writes what is whole to a file.
func (s *restoring) rescueTar(ctx context.Context, v *store.Volume, path string, overwrite bool, cause error) error {
	all, err := s.findLosses(ctx, []*store.Volume{v}, cause)
	if err != nil {
		return err
	}
	if err := s.intoFile(ctx, v, path, overwrite, all); err != nil {
		return err
	}
	return s.endLossy("What is whole is in " + path + ".")
}

// rescue brings what is whole to the container's volumes where losses are accepted, and else beside them.
func (r *containerRestore) rescue(ctx context.Context, volumes []*store.Volume, cause error) (err error) {
	if r.losses, err = r.findLosses(ctx, volumes, cause); err != nil {
		return err
	}
	if r.accept {
		r.halted = nil
		if err := r.run(ctx); err != nil {
			return err
		}
		return r.endLossy("What is whole is in the volumes of container " + r.target.Name + ".")
	}
	var beside []string
	for _, p := range r.placed {
		done, err := r.putFolder(ctx, []*store.Volume{p.volume}, p.dir, func(o *store.FolderOptions) { o.Losses, o.Beside = r.losses, true })
		if errors.Is(err, store.ErrNothingWhole) {
			r.app.Warn("volume %s: no member is whole.", screen.Printable(p.volume.Name))
			continue
		}
		if err != nil {
			return err
		}
		beside = append(beside, done.Beside)
	}
	for _, p := range r.copied {
		r.app.Warn("volume %s can't be reached on this machine: restore what is whole of it with --into DIR --volume %s.", screen.Printable(p.volume.Name), screen.Printable(p.volume.Name))
	}
	text := "Nothing was restored"
	if len(beside) > 0 {
		text = "What is whole is in " + strings.Join(beside, ", ")
	}
	return r.endLossy(fmt.Sprintf("%s, and the data of container %s is as it was. --accept-losses puts what is whole in its place.", text, r.target.Name))
}

func (s *restoring) writeWhole(ctx context.Context, v *store.Volume, all []*store.Losses, w io.Writer) error {
	if l := lossesOf(all, v); !v.Tar && l != nil && !l.None() {
		return nil // its only member is lost
	}
	return s.writeBut(ctx, v, all, w)
}
