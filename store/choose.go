package store

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// ChooseOptions say more of what a selector means.
type ChooseOptions struct {
	// Host, if set, leaves out the captures of all other hosts.
	Host string
	// Retired chooses among the retired captures alone, as if they were not retired.
	Retired bool
	// Location is where days begin and end; nil means time.Local.
	Location *time.Location
	// Now is the time of this machine; zero means time.Now.
	Now time.Time
}

// AmbiguousError says which captures a selector may mean. It wraps [ErrAmbiguous].
type AmbiguousError struct {
	Selector string
	Captures []*Capture // oldest first; of a day that ids and dates tell differently perhaps only one
	Reason   string     // for people
	shown    []string
}

// Error names the first of the captures.
func (e *AmbiguousError) Error() string {
	const most = 10
	text := fmt.Sprintf("capture %q: %s:", e.Selector, e.Reason)
	for i, line := range e.shown {
		if i == most {
			return fmt.Sprintf("%s\n  and %d more", text, len(e.shown)-most)
		}
		text += "\n  " + line
	}
	return text
}

func (e *AmbiguousError) Unwrap() error { return ErrAmbiguous }

// Choose gives the capture that a selector means, as [Repository.Find] does, by options.
func (l *Listing) Choose(text string, o ChooseOptions) (*Capture, error) {
	if o.Retired {
		return l.chooseRetired(text, o)
	}
	s := parseSelector(text)
	c, err := s.choose(l.Captures, o)
	if l.Damage == nil || errors.Is(err, ErrAmbiguous) {
		return c, err
	}
	if s.byDate() {
		if ids := l.later(c); len(ids) > 0 {
			return nil, fmt.Errorf("which capture %q is can't be told, since index files are damaged; name it by its id: %w", text, l.damageOf(ids))
		}
		return c, err
	}
	// An id is known without its index file.
	all, allErr := s.choose(slices.Concat(l.Captures, l.unread), o)
	if allErr != nil {
		return nil, allErr
	}
	if slices.Contains(l.unread, all) {
		return nil, fmt.Errorf("capture %s can't be read: %w", all.ID, l.damageOf([]string{all.ID}))
	}
	return all, nil
}

func (l *Listing) chooseRetired(text string, o ChooseOptions) (*Capture, error) {
	o.Retired = false
	retired := &Listing{Captures: notRetired(l.Captures), unread: notRetired(l.unread), Damage: l.Damage}
	c, err := retired.Choose(text, o)
	if err != nil {
		return nil, err
	}
	return l.Captures[slices.IndexFunc(l.Captures, func(o *Capture) bool { return o.ID == c.ID })], nil
}

// choose gives the capture that is meant, and a retired one only by its id and where no
// other fits.
func (s *selector) choose(captures []*Capture, o ChooseOptions) (*Capture, error) {
	if o.Now.IsZero() {
		o.Now = time.Now()
	}
	if o.Location == nil {
		o.Location = time.Local
	}
	captures = slices.DeleteFunc(slices.Clone(captures), func(c *Capture) bool {
		return c == nil || o.Host != "" && c.Host != o.Host && !c.unread
	})
	c, err := s.among(withoutRetired(captures), o)
	if errors.Is(err, ErrNotFound) { // no id is latest, or has an @
		if retired, again := s.byID(captures, o); again == nil {
			return retired, nil
		}
	}
	return c, err
}

func (s *selector) among(captures []*Capture, o ChooseOptions) (*Capture, error) {
	switch {
	case s.latest:
		if c := newest(captures, o.Now, false); c != nil {
			return c, nil
		}
		return nil, s.noLatest(captures, "a capture", "the repository holds none", o)
	case len(s.named) > 0:
		return s.byName(captures, o)
	}
	return s.byID(captures, o)
}

// byID chooses by the whole id or any leading part of it. Ids are of UTC, and dates are
// shown by the local clock: a day that is not the same by both is not chosen silently.
func (s *selector) byID(captures []*Capture, o ChooseOptions) (*Capture, error) {
	var found []*Capture
	differ := false
	for _, c := range captures {
		if c.ID == s.text && s.text != "" {
			return c, nil
		}
		byID := s.text != "" && strings.HasPrefix(c.ID, s.text)
		byDate := s.digits && strings.HasPrefix(c.Taken.In(o.Location).Format(idDay), s.text)
		if byID || byDate {
			found = append(found, c)
		}
		differ = differ || s.digits && byID != byDate
	}
	switch {
	case len(found) == 0:
		return nil, fmt.Errorf("capture %q: %w", s.text, ErrNotFound)
	case differ:
		return nil, s.ambiguous(found, o, "ids are in UTC, and by the date here it means others; give more of the id, or NAME@DATE")
	case len(found) > 1:
		return nil, s.ambiguous(found, o, "more than one capture fits; give more of the id")
	}
	return found[0], nil
}

// byName chooses by NAME@latest, NAME@VERSION and NAME@DATE: of each host that uses the
// name, and for the version and the date alike, the newest.
func (s *selector) byName(captures []*Capture, o ChooseOptions) (*Capture, error) {
	var found []*Capture
	var sameName []*Capture
	for _, n := range s.named {
		of := slices.DeleteFunc(slices.Clone(captures), func(c *Capture) bool { return c.Name != n.name || c.unread })
		sameName = append(sameName, of...)
		for _, fits := range n.meanings(o.Location) {
			for _, host := range hostsOf(of) {
				c := newest(slices.DeleteFunc(slices.Clone(of), func(c *Capture) bool { return c.Host != host || !fits(c) }), o.Now, !n.latest)
				if c != nil && !slices.Contains(found, c) {
					found = append(found, c)
				}
			}
		}
	}
	slices.SortFunc(found, older)
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		last := s.named[len(s.named)-1]
		if last.latest {
			return nil, s.noLatest(sameName, fmt.Sprintf("a capture of %q", last.name), "", o)
		}
		return nil, fmt.Errorf("capture %q: %w", s.text, ErrNotFound)
	}
	reason := "it may be a version, a date or one of several names; give an id"
	if len(hostsOf(found)) == len(found) {
		reason = "several hosts use that name; say which one, or give an id"
	}
	return nil, s.ambiguous(found, o, reason)
}

// meanings are what may be meant by what stands behind the name.
func (n *namedSelector) meanings(loc *time.Location) []func(*Capture) bool {
	if n.latest {
		return []func(*Capture) bool{func(*Capture) bool { return true }}
	}
	return []func(*Capture) bool{
		func(c *Capture) bool { return n.what != "" && c.Version == n.what },
		func(c *Capture) bool { return n.day != "" && c.Taken.In(loc).Format(time.DateOnly) == n.day },
	}
}

// noLatest says why there is no latest capture.
func (s *selector) noLatest(captures []*Capture, what, why string, o ChooseOptions) error {
	if len(captures) > 0 {
		c := slices.MinFunc(captures, older)
		why = fmt.Sprintf("all are dated in the future, the first of them %s at %s; name it by its id", c.ID, shownTime(c, o))
	}
	if why == "" {
		return fmt.Errorf("%s: %w", what, ErrNotFound)
	}
	return fmt.Errorf("%s: %w: %s", what, ErrNotFound, why)
}

func (s *selector) ambiguous(captures []*Capture, o ChooseOptions, reason string) error {
	e := &AmbiguousError{Selector: s.text, Captures: captures, Reason: reason}
	for _, c := range captures {
		if c.unread {
			e.shown = append(e.shown, c.ID)
			continue
		}
		e.shown = append(e.shown, fmt.Sprintf("%s: %s, taken %s on %s", c.ID, vault.OneLine(strings.TrimSpace(c.Name+" "+c.Version)), shownTime(c, o), vault.OneLine(cmp.Or(c.Host, "an unnamed host"))))
	}
	return e
}

// shownTime is when a capture was taken, to the minute and with the zone.
func shownTime(c *Capture, o ChooseOptions) string {
	return c.Taken.In(o.Location).Format("2006-01-02 15:04 MST")
}

// newest gives the newest capture that is not dated in the future, by more than
// ClockTolerance; else, if that will do, the newest that is; or nil.
func newest(captures []*Capture, now time.Time, orFuture bool) *Capture {
	past := slices.DeleteFunc(slices.Clone(captures), func(c *Capture) bool { return c.Taken.After(now.Add(ClockTolerance)) })
	switch {
	case len(past) > 0:
		return slices.MaxFunc(past, older)
	case orFuture && len(captures) > 0:
		return slices.MaxFunc(captures, older)
	}
	return nil
}

// older compares captures by when they were taken, and then written.
func older(a, b *Capture) int {
	return cmp.Or(a.Taken.Compare(b.Taken), a.Written.Compare(b.Written), cmp.Compare(a.ID, b.ID))
}

func hostsOf(captures []*Capture) (hosts []string) {
	for _, c := range captures {
		if !slices.Contains(hosts, c.Host) {
			hosts = append(hosts, c.Host)
		}
	}
	return hosts
}

// later gives the ids of captures that can't be read and may not be older than c, or of all
// where c is nil, without those that are retired. The minute in an id is that in which its
// capture was taken, as it was first recorded.
func (l *Listing) later(c *Capture) (ids []string) {
	for _, u := range l.unread {
		if u.Retired == nil && (c == nil || names.Minute(u.ID) >= names.MinuteOf(c.Taken)) {
			ids = append(ids, u.ID)
		}
	}
	return ids
}
