package main

import (
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// meantCapture asks whether another capture was meant by a selector that fits none, or gives "".
func meantCapture(l *store.Listing, selector string) string {
	near := nearCapture(l, selector)
	if near == "" || near == selector { // a word that is right, as latest, where there is none
		return ""
	}
	return "; did you mean " + screen.Line(near) + "?"
}

func nearCapture(l *store.Listing, selector string) string {
	names := namesListed(l)
	name, which, at := strings.Cut(selector, "@")
	switch {
	case !at && slices.Contains(names, name):
		return name + "@latest"
	case !at:
		if id := nearID(l, selector); id != "" {
			return id
		}
		if near := cmdline.Nearest(name, names); near != "" {
			return near + "@latest"
		}
		return cmdline.Nearest(name, []string{"latest"})
	case !slices.Contains(names, name):
		if near := cmdline.Nearest(name, names); near != "" {
			return near + "@" + which
		}
		return ""
	}
	for _, c := range slices.Backward(l.Captures) {
		if c.Retired == nil && c.Name == name && strings.HasPrefix(c.Version, which+".") {
			return name + "@" + c.Version
		}
	}
	if version := cmdline.Nearest(which, append(versionsListed(l, name), "latest")); version != "" {
		return name + "@" + version
	}
	return ""
}

// retiredOf says that what a selector means by its version is retired, or gives "".
func retiredOf(l *store.Listing, selector string) string {
	name, version, _ := strings.Cut(selector, "@")
	for _, c := range slices.Backward(l.Captures) {
		if c.Retired != nil && version != "" && c.Name == name && c.Version == version {
			return ": " + screen.Line(c.ID) + " is of that version, and retired. Its id restores it; kist retire --undo " + screen.Line(c.ID) + " takes that back"
		}
	}
	return ""
}

// nearID gives the id of which a leading part as long as what was typed is nearest to that.
func nearID(l *store.Listing, typed string) string {
	const least = len("20260314") // of less a person knows better
	if len(typed) < least {
		return ""
	}
	ids := make(map[string]string)
	var parts []string
	for _, c := range slices.Backward(l.Captures) { // the newest first: of those as near it is meant
		part := c.ID[:min(len(c.ID), len(typed))]
		if ids[part] == "" {
			ids[part] = c.ID
			parts = append(parts, part)
		}
	}
	return ids[cmdline.Nearest(typed, parts)]
}

// namesListed gives the names of captures that are not retired, sorted.
func namesListed(l *store.Listing) (names []string) {
	for _, c := range l.Captures {
		if c.Retired == nil {
			names = append(names, c.Name)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func versionsListed(l *store.Listing, name string) (versions []string) {
	for _, c := range l.Captures {
		if c.Retired == nil && c.Name == name && c.Version != "" {
			versions = append(versions, c.Version)
		}
	}
	slices.Sort(versions)
	return slices.Compact(versions)
}

// meantHost asks whether another host was meant.
func meantHost(l *store.Listing, host string) string {
	var hosts []string
	for _, c := range l.Captures {
		hosts = append(hosts, c.Host)
	}
	if host == "" || slices.Contains(hosts, host) {
		return ""
	}
	return screen.Line(cmdline.Meant(host, hosts))
}

// meantSlot asks whether another key slot was meant.
func meantSlot(slots []store.Slot, part string) string {
	ids := make(map[string]crypt.SlotID)
	var parts []string
	for _, s := range slots {
		leading := string(s.ID[:min(len(s.ID), len(part))])
		ids[leading], parts = s.ID, append(parts, leading)
	}
	if id := ids[cmdline.Nearest(part, parts)]; id != "" {
		return "; did you mean " + screen.Line(string(id)) + "?"
	}
	return ""
}
