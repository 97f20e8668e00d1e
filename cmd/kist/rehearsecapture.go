package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/rehearse"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// needShell fails where a command for the shell is given, and there is none.
func needShell(command string) error {
	if command == "" {
		return nil
	}
	if _, err := exec.LookPath("sh"); err != nil {
		return fmt.Errorf("commands need a shell: %w", err)
	}
	return nil
}

// rehearsal is that of one capture.
type rehearsal struct {
	*rehearsing
	capture *store.Capture
	parts   []rehearsedPart
	place   *rehearse.Place
	data    []restoredVolume // by the capture's volumes

	done store.Rehearsal
	out  *rehearsedJSON
}

// rehearsedPart is a container that is to be started.
type rehearsedPart struct {
	containers.Part
	launch *engine.Launch
}

// rehearse rehearses one capture, and keeps how it went. out is nil where that is not known. The error is that of the
// program: also where all could be tried, and did not go well.
func (s *rehearsing) rehearse(ctx context.Context, capture *store.Capture) (out *rehearsedJSON, err error) {
	began := time.Now()
	h := &rehearsal{rehearsing: s, capture: capture, out: newRehearsedJSON(capture)}
	if err := h.prepare(ctx); err != nil {
		return nil, err
	}
	left, err := h.stage(ctx)
	if err != nil {
		return nil, &statusError{statusFailed, fmt.Errorf("capture %s could not be rehearsed: %w", capture.ID, errors.Join(err, left))}
	}
	h.done.At, h.done.Took, h.done.Host = time.Now(), time.Since(began), hostName()
	h.out.Rehearsed = &h.done
	if err := s.r.NoteRehearsal(ctx, capture.ID, h.done); err != nil {
		left = errors.Join(fmt.Errorf("how the rehearsal of capture %s went (%s) could not be kept: %w", capture.ID, outcomeText(h.done.Outcome), err), left)
	}
	return h.out, errors.Join(h.verdict(), left)
}

// verdict says how it went: well, on standard output, or as an error.
func (h *rehearsal) verdict() error {
	what := fmt.Sprintf("%s (%s%s)", h.capture.ID, screen.Printable(h.capture.Name), withVersion(h.capture))
	if !h.done.Outcome.Good() {
		text := fmt.Sprintf("capture %s was rehearsed, and %s: %s", what, outcomeText(h.done.Outcome), screen.Line(h.done.Fault))
		if len(h.out.Log) > 0 {
			text += "\nThe last that it printed:\n  " + strings.Join(h.out.Log, "\n  ")
		}
		return &statusError{statusDamage, errors.New(text)}
	}
	if !h.app.JSON {
		h.app.Tell("%s: %s. Rehearsed in %s: %s.\n", what, outcomeText(h.done.Outcome), tookText(h.done.Took), screen.Printable(strings.Join(h.done.Checked, "; ")))
	}
	return nil
}

// prepare refuses what can't be tried, before anything is made.
func (h *rehearsal) prepare(ctx context.Context) error {
	if err := h.chooseParts(); err != nil {
		return err
	}
	for _, p := range h.parts {
		if err := h.haveImage(ctx, p); err != nil {
			return err
		}
	}
	room := &restoring{app: h.app, r: h.r, littleSpace: h.littleSpace}
	if err := room.checkSpace(ctx, []destination{{h.volumes(), h.scratch, false}}); err != nil {
		return fmt.Errorf("%w. --scratch names another place", err)
	}
	return nil
}

func (h *rehearsal) volumes() (all []*store.Volume) {
	for i := range h.capture.Volumes {
		all = append(all, &h.capture.Volumes[i])
	}
	return all
}

// chooseParts finds which containers are to be started.
func (h *rehearsal) chooseParts() error {
	if h.dataOnly {
		return nil
	}
	parts := containers.Parts(h.capture.Labels)
	for _, name := range h.only {
		if !slices.ContainsFunc(parts, func(p containers.Part) bool { return p.Name == name }) {
			return missing(fmt.Errorf("capture %s knows no container %s", h.capture.ID, screen.Line(name)))
		}
	}
	if len(parts) == 0 && h.watch.Healthy != "" {
		h.app.Warn("capture %s is of no container: nothing is started, and --healthy not asked.", h.capture.ID)
	}
	lent := make(map[string]bool)
	for _, p := range parts {
		if len(h.only) > 0 && !slices.Contains(h.only, p.Name) {
			continue
		}
		launch, err := parseLaunch(h.capture, p.Launch)
		if err != nil {
			return fmt.Errorf("%w. --data-only restores and compares alone", err)
		}
		h.parts = append(h.parts, rehearsedPart{p, launch})
		for _, m := range launch.Mounts {
			lent[m.Destination] = true
		}
	}
	for _, path := range h.lend {
		if !lent[path] {
			return usagef("rehearse: --lend %s: capture %s knows of nothing that was mounted there", screen.Line(path), h.capture.ID)
		}
	}
	return nil
}

// haveImage has the engine fetch the image that was recorded where it is not there.
func (h *rehearsal) haveImage(ctx context.Context, p rehearsedPart) error {
	image := p.launch.Pinned()
	if p.launch.Digest == "" {
		h.app.Warn("the digest of image %s is not known: another image may have its name by now.", screen.Printable(image))
	}
	_, err := h.engine.Image(ctx, image)
	if !errors.Is(err, engine.ErrNotFound) {
		return err
	}
	h.app.Say("Fetching image %s.", screen.Printable(image))
	if err := h.engine.Pull(ctx, image); err != nil {
		// Not the exit status of what was asked for and is missing: it could not be done.
		return &statusError{statusFailed, fmt.Errorf("image %s, which capture %s is of, is not here, and can't be fetched: %w. --data-only restores and compares alone",
			screen.Line(image), h.capture.ID, err)}
	}
	return nil
}

// stage does all of it in a place that is removed again; left says that it could not be.
func (h *rehearsal) stage(ctx context.Context) (left, err error) {
	if h.place, err = h.keeper.Begin(h.scratch, h.engine, len(h.parts)); err != nil {
		return nil, err
	}
	defer func() { left = h.place.Remove(ctx) }()
	if err := h.restore(ctx); err != nil || h.done.Outcome != store.RehearsedWhole {
		return nil, err
	}
	for i, p := range h.parts {
		if err := h.try(ctx, i, p); err != nil || h.done.Outcome == store.RehearsedDown {
			return nil, err
		}
	}
	return nil, nil
}

// try starts one container on what was restored.
func (h *rehearsal) try(ctx context.Context, n int, p rehearsedPart) error {
	name := screen.Printable(cmp.Or(p.Name, h.capture.Name))
	mounts, lacks, err := h.mounts(p)
	if err != nil {
		return err
	}
	for _, path := range lacks {
		h.app.Warn("the capture has nothing of what container %s had mounted at %s: it is tried without. --lend %s mounts, read-only, what is there now.", name, screen.Printable(path), screen.ShellQuote(path))
	}
	h.app.Say("Trying container %s on it, without a network, for %s.", name, h.watch.For)
	v, left, err := h.place.Try(ctx, n, rehearse.Trial{Launch: p.launch, Mounts: mounts, Watch: h.watch})
	if len(left) > 0 {
		h.app.Warn("container %s is tried without %s.", name, screen.Printable(strings.Join(left, ", ")))
	}
	if err != nil {
		return err
	}
	h.done.Checked = append(h.done.Checked, boundedText(h.triedText(p, v.Healthy)))
	h.done.Outcome = store.RehearsedUp
	if !v.Healthy {
		h.done.Outcome = store.RehearsedDown
		h.done.Fault = boundedText(fmt.Sprintf("container %s: %s", screen.Line(cmp.Or(p.Name, h.capture.Name)), engine.MaskLine(v.Why)))
		for _, line := range v.Log {
			h.out.Log = append(h.out.Log, screen.Printable(line))
		}
	}
	return nil
}

func (h *rehearsal) triedText(p rehearsedPart, well bool) string {
	text := fmt.Sprintf("container %s of image %s, without a network", screen.Line(cmp.Or(p.Name, h.capture.Name)), screen.Line(p.launch.Image))
	if well {
		text += fmt.Sprintf(", stayed up for %s", h.watch.For)
	}
	if h.watch.Healthy != "" && well {
		text += ", and --healthy found it well"
	}
	return text
}

// mounts gives what the container gets: what was restored, and what it is lent. lacks are the paths of what it
// had besides.
func (h *rehearsal) mounts(p rehearsedPart) (mounts []engine.TrialMount, lacks []string, err error) {
	for _, m := range p.launch.Mounts {
		if m.Type != "volume" && m.Type != "bind" {
			continue
		}
		i := slices.IndexFunc(h.capture.Volumes, func(v store.Volume) bool {
			return v.MountPath == m.Destination && (p.Volumes == nil || slices.Contains(p.Volumes, v.Name))
		})
		switch {
		case i >= 0:
			mounts = append(mounts, engine.TrialMount{Source: h.data[i].path, Destination: m.Destination, ReadOnly: !m.RW})
		case slices.Contains(h.lend, m.Destination):
			if _, err := containers.Look(m); err != nil {
				return nil, nil, fmt.Errorf("--lend %s: %s: %w", screen.Line(m.Destination), screen.Line(m.Source), err)
			}
			mounts = append(mounts, engine.TrialMount{Source: m.Source, Destination: m.Destination, Lent: true})
		default:
			lacks = append(lacks, m.Destination)
		}
	}
	return mounts, lacks, nil
}
