package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// restoredVolume is a volume in the scratch folder.
type restoredVolume struct {
	path string // of the folder, or of the file with a stream that is no tar stream
}

// restore restores all volumes into the scratch folder, and compares.
func (h *rehearsal) restore(ctx context.Context) error {
	h.app.Say("Restoring capture %s into %s.", h.capture.ID, screen.Printable(h.place.Dir()))
	tries := 0
	find := func(id string) (*store.Capture, error) { return h.app.find(ctx, h.r, id) }
	return h.app.twice(h.capture, find, func(capture *store.Capture) error {
		tries++
		return h.restoreAll(ctx, capture, fmt.Sprintf("%d-", tries))
	})
}

func (h *rehearsal) restoreAll(ctx context.Context, capture *store.Capture, prefix string) error {
	h.capture, h.data, h.done, h.out.Lost = capture, nil, store.Rehearsal{Outcome: store.RehearsedWhole}, nil
	h.out.Dropped = nil
	members, bytes := uint64(0), uint64(0)
	for i := range capture.Volumes {
		v := &capture.Volumes[i]
		at := restoredVolume{filepath.Join(h.place.Dir(), fmt.Sprintf("%s%d", prefix, i+1))}
		h.data = append(h.data, at)
		err := h.restoreVolume(ctx, v, at.path)
		if isLossy(err) && !errors.Is(err, store.ErrMoved) {
			err = h.harmed(ctx, v, err)
		}
		if err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(v.Name), err)
		}
		for _, what := range v.Dropped {
			h.fail("volume %s: a repair gave up what was damaged: %s", screen.Line(v.Name), what)
			h.out.Dropped = append(h.out.Dropped, partly{v.Name, what})
		}
		members, bytes = members+v.Members, bytes+v.Bytes
	}
	if h.done.Outcome == store.RehearsedWhole {
		text := fmt.Sprintf("%s, %s in %s, compared with the capture", screen.Count(len(capture.Volumes), "volume", "volumes"),
			screen.Count(members, "member", "members"), screen.Size(bytes))
		h.done.Checked = slices.Insert(h.done.Checked, 0, text)
	}
	return nil
}

// restoreVolume fails with what restoring fails with: what differs after it is noted.
func (h *rehearsal) restoreVolume(ctx context.Context, v *store.Volume, path string) error {
	if !v.Tar {
		return h.restoreStream(ctx, v, path)
	}
	progress, end := h.app.progress("restoring")
	done, err := h.r.RestoreFolder(ctx, []*store.Volume{v}, path, store.FolderOptions{Progress: progress})
	end()
	if err != nil {
		return err
	}
	h.app.WarnAll(lossTexts(done.NotRestored))
	if n := len(done.NotRestored); n > 0 {
		h.done.Checked = append(h.done.Checked, boundedText(fmt.Sprintf("volume %s: %s could not be restored on this machine, such as %s: %s", screen.Line(v.Name),
			screen.Count(n, "thing", "things"), done.NotRestored[0].Path, done.NotRestored[0].Reason)))
	}
	return h.compare(ctx, v, path, done.NotRestored)
}

// compare holds what is in a folder against the capture: the contents were proved when they were restored.
func (h *rehearsal) compare(ctx context.Context, v *store.Volume, path string, excused []volume.Note) error {
	is, err := h.r.FolderChanges(ctx, []*store.Volume{v}, path, store.FolderOptions{})
	if err != nil {
		return err
	}
	var wrong, unlike []string
	for _, c := range is.Changes {
		if isExcused(c.Path, excused) {
			continue
		}
		text := strings.TrimSpace(screen.Printable(c.Path) + " " + strings.Join(newChange(c).Why, ", "))
		if c.Kind != store.EntryChanged || slices.Contains(c.Differs, store.AspectKind) || slices.Contains(c.Differs, store.AspectSize) {
			wrong = append(wrong, text)
		} else if !slices.Equal(c.Differs, []store.Aspect{store.AspectOwner}) || os.Geteuid() == 0 {
			unlike = append(unlike, text)
		}
	}
	if len(unlike) > 0 {
		h.app.Warn("volume %s: %s other times, modes or owners than were captured, such as %s. Does the file system keep them?", screen.Printable(v.Name),
			screen.Count(len(unlike), "restored entry has", "restored entries have"), unlike[0])
	}
	if len(wrong) > 0 {
		h.fail("volume %s: %s not as captured, such as %s", screen.Line(v.Name), screen.Count(len(wrong), "restored entry is", "restored entries are"), wrong[0])
	}
	return nil
}

// isExcused tells whether a path is one that could not be restored, or lies below one.
func isExcused(path string, excused []volume.Note) bool {
	for _, n := range excused {
		if rest, ok := strings.CutPrefix(path, n.Path); ok && (rest == "" || rest[0] == '/') {
			return true
		}
	}
	return false
}

// restoreStream restores a volume that is no tar stream into a file.
func (h *rehearsal) restoreStream(ctx context.Context, v *store.Volume, path string) error {
	// Which mode it had is not known; nobody else gets into the scratch folder.
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	progress, end := h.app.progress("restoring")
	err = h.r.Restore(ctx, v, f, store.RestoreOptions{Progress: progress})
	end()
	info, failed := f.Stat()
	if err := errors.Join(err, failed, f.Close()); err != nil {
		return err
	}
	if uint64(info.Size()) != v.Bytes {
		h.fail("volume %s: the file has %s, and the captured stream %d", screen.Line(v.Name), screen.Count(info.Size(), "byte", "bytes"), v.Bytes)
	}
	return nil
}

// harmed says what of a volume is lost. It gives the cause where that can't be found out.
func (h *rehearsal) harmed(ctx context.Context, v *store.Volume, cause error) error {
	looking := &restoring{app: h.app, r: h.r}
	if _, err := looking.findLosses(ctx, []*store.Volume{v}, cause); err != nil && !errors.Is(err, cause) {
		return err
	}
	h.out.Lost = append(h.out.Lost, looking.result.Lost...)
	unknown := looking.result.Incomplete
	switch {
	case looking.lost > 0:
		h.fail("volume %s: %s lost", screen.Line(v.Name), screen.Count(looking.lost, "member is", "members are"))
	case len(unknown) > 0:
		h.fail("volume %s: what came behind the last member that is known is lost: %s", screen.Line(v.Name), unknown[0].Reason)
	default:
		h.fail("volume %s: %s", screen.Line(v.Name), reasonOf(cause))
	}
	return nil
}

// fail notes that not all came back, and why.
func (h *rehearsal) fail(format string, args ...any) {
	text := boundedText(fmt.Sprintf(format, args...))
	if h.done.Fault != "" {
		text = boundedText(h.done.Fault + "; " + text)
	}
	h.done.Outcome, h.done.Fault = store.RehearsedHarmed, text
}
