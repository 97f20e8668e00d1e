package main

import (
	"fmt"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
)

// want is something that somebody should see to.
type want struct {
	kind       string
	name, host string // of the service that it is about; "": it is about none
	text       string
	damage     bool // of what is stored
}

// Kinds of wants of this machine; those of the repository are package store's.
const (
	wantUpgrade = "upgrade"
	wantStarted = "stopped"
	wantSending = "send"
	wantAside   = "set-aside"
	wantHeeded  = "condition"
)

// wanted gives all that is wanted, the worst first.
func (s *state) wanted() (all []want) {
	for _, w := range s.Wanted {
		if w.Kind == store.WantCapture && w.Service == nil && len(s.never) > 0 {
			continue // each of them says so
		}
		text := s.wantText(w)
		one := want{kind: string(w.Kind), text: text, damage: w.Kind.Damage()}
		if w.Kind == store.WantCopy {
			text = "in " + placeText(w.Place) + " " + s.copyText(w)
		}
		if w.Service != nil {
			one.name, one.host = w.Service.Name, w.Service.Host
			one.text = serviceText(w.Service) + ": " + text
		}
		all = append(all, one)
	}
	firstHarmless := slices.IndexFunc(all, func(w want) bool { return !w.damage })
	if firstHarmless < 0 {
		firstHarmless = len(all)
	}
	for i, n := range s.never {
		text := fmt.Sprintf("%s on %s: the configuration has it, and there is no capture of it", screen.Printable(n.name), screen.Printable(n.host))
		all = slices.Insert(all, firstHarmless+i, want{kind: string(store.WantCapture), name: n.name, host: n.host, text: text})
	}
	if s.ignores != nil {
		all = append(all, want{kind: wantHeeded, text: s.ignores.text()})
	}
	for _, u := range s.upgrades {
		if !u.AtWork() {
			all = append(all, want{kind: wantUpgrade, name: u.Container, text: fmt.Sprintf("the upgrade of %s of %s is open: kist resume", screen.Printable(u.Container), screen.LocalTime(u.Began))})
		}
	}
	for _, n := range s.stopped {
		if !n.AtWork {
			all = append(all, want{kind: wantStarted, name: n.Container, text: stoppedText(n.Container) + " since " + screen.LocalTime(n.Since) + ": " + toStart(n)})
		}
	}
	for _, x := range s.beside {
		all = append(all, want{kind: wantAside, name: x.Of, text: fmt.Sprintf("container %s, which an upgrade of %s set aside, runs, and has the live data: %s stop %[1]s", screen.Printable(x.Name), screen.Printable(x.Of), screen.Printable(x.Engine))})
	}
	for _, o := range s.strayed {
		all = append(all, want{kind: wantSending, text: strayedText(o) + ": " + adviceStrayed})
	}
	for _, id := range s.unread {
		all = append(all, want{kind: wantSending, damage: true, text: unreadText(id)})
	}
	for _, w := range s.elsewhere {
		all = append(all, want{kind: wantSending, text: w.text()})
	}
	for _, c := range s.waiting {
		all = append(all, want{kind: wantSending, name: c.Name, host: c.Host, text: fmt.Sprintf("capture %s of %s waits on this machine to be sent: kist resume", c.ID, screen.Printable(c.Name))})
	}
	return all
}

// toStart says what to do about what is stopped: what a restore stopped no run starts.
func toStart(n stopped.Noted) string {
	if n.Restoring {
		return "restore again"
	}
	return "kist resume"
}

func stoppedText(container string) string {
	if container == "" {
		return "something is held still"
	}
	return "container " + screen.Printable(container) + " is stopped"
}

// wantText says what is wanted, and which command tells more.
func (s *state) wantText(w store.Want) string {
	one := w.Service
	switch w.Kind {
	case store.WantRepair:
		switch {
		case s.Damage != nil:
		case len(s.Unread) == 0:
			return fmt.Sprintf("of %s the latest index file can't be read, and an earlier one counts: kist repair", screen.Count(len(s.Earlier), "capture", "captures"))
		default:
			return screen.Count(len(s.Unread), "index file", "index files") + " can't be read: kist verify"
		}
		return fmt.Sprintf("damage was found at %s (%s): kist verify%s", screen.LocalTime(s.Damage.At), screen.Count(s.Damage.Damaged, "object", "objects"), depthFlag(s.Damage))
	case store.WantOwn:
		return fmt.Sprintf("what says which place this is, or how it is set up, is damaged (%s): kist verify", screen.Printable(s.Own[0]))
	case store.WantMissing:
		return screen.Count(len(s.Missing), "capture is", "captures are") + " missing or exchanged: kist verify"
	case store.WantCapture:
		if one == nil {
			return "there is no capture"
		}
		return "every capture is dated in the future"
	case store.WantRehearsal:
		return fmt.Sprintf("the rehearsal of %s failed: kist show %s", screen.LocalTime(one.Rehearsed.Rehearsed.At), one.Rehearsed.ID)
	case store.WantNewCapture:
		return fmt.Sprintf("the last capture is %s old", ageText(one.Age))
	case store.WantLook:
		return fmt.Sprintf("more than half is gone of %s", volumesText(one.Shrunk))
	case store.WantClock:
		return screen.Count(len(one.Future), "capture is", "captures are") + " dated in the future: whose clock is wrong?"
	}
	return string(w.Kind)
}

// copyText says how old what another place has of a service is.
func (s *state) copyText(w store.Want) string {
	copied := w.Place.Service(w.Service.Name, w.Service.Host)
	if copied == nil || copied.Last == nil {
		return "no capture is known to be: kist replicate"
	}
	return fmt.Sprintf("the newest capture is %s old: kist replicate", ageText(copied.Age))
}

// placeText names another place of the repository.
func placeText(p *store.PlaceStatus) string {
	if p.Where != "" {
		return screen.Printable(p.Where)
	}
	return "the other place"
}

// depthFlag is what a verification needs to find what an earlier one found.
func depthFlag(v *store.Verification) string {
	if v.Extent == store.VerifiedListed {
		return ""
	}
	return " --full"
}

func volumesText(all []store.Shrinkage) string {
	text := "volume " + screen.Printable(all[0].Volume)
	if n := len(all) - 1; n > 0 {
		text += fmt.Sprintf(" and %d more", n)
	}
	return text
}

func serviceText(s *store.ServiceStatus) string {
	text := screen.Printable(s.Name)
	if s.Host != "" {
		text += " on " + screen.Printable(s.Host)
	}
	return text
}

func askedText(o store.StatusOptions) string {
	switch {
	case o.Host == "":
		return screen.Line(o.Name)
	case o.Name == "":
		return "host " + screen.Line(o.Host)
	}
	return screen.Line(o.Name) + " on host " + screen.Line(o.Host)
}
