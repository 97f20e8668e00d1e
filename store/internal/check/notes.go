package check

import (
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/names"
)

// noteUnlisted says which slabs no table lists. A capture that needs one was committed
// behind a table that did: that one is missing.
func (v *verifier) noteUnlisted() {
	var needed, harmed, others []string
	for _, id := range v.unlisted {
		if s := v.state(id); s.wanted && len(s.Bad) > 0 {
			harmed = append(harmed, names.Slab(id))
		} else if s.wanted {
			needed = append(needed, names.Slab(id))
		} else {
			others = append(others, names.Slab(id))
		}
	}
	slices.Sort(needed)
	slices.Sort(others)
	if len(needed) > 0 {
		v.note("a table is missing, of %s that captures need (%s); that alone harms no capture, and repairing writes it anew", names.Count(len(needed), "slab", "slabs"), names.Shortened(needed, names.Most))
	}
	if slices.Sort(harmed); len(harmed) > 0 {
		v.note("a table is missing, of %s that captures need and that can't all be read (%s): repairing writes it anew only of those in which all can be read again; "+
			"the others stay without one", names.Count(len(harmed), "slab", "slabs"), names.Shortened(harmed, names.Most))
	}
	if len(others) > 0 && len(v.o.Captures) == 0 {
		v.note("slabs that no table lists: %d (%s), as after an interrupted capture; the next capture finds what is whole in them", len(others), names.Shortened(others, names.Most))
	}
}

func (v *verifier) note(text string, args ...any) {
	v.report.Notes = append(v.report.Notes, fmt.Sprintf(text, args...))
}

// foreign notes a file that is no object of kist, the first of many by its name.
func (v *verifier) foreign(name string) {
	if v.strangers++; v.strangers <= names.Most {
		v.note("%s is no object of kist", name)
	}
}

// noteStrangers says how many more of them there are.
func (v *verifier) noteStrangers() {
	if n := v.strangers - names.Most; n > 0 {
		v.note("%s of kist", names.Count(n, "more file is no object", "more files are no objects"))
	}
}
