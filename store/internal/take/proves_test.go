package take

import (
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestProves has recipes whose runs name other chunks than their digests are made of.
func TestProves(t *testing.T) {
	r, o := capturedFolder(t)
	s := begun(t, r, o)
	defer s.abandon(t.Context())
	made, err := r.Capture(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*format.Recipe){
		"as it is":      func(*format.Recipe) {},
		"other chunks":  func(r *format.Recipe) { r.Runs[0].First++; r.Runs[0].Count-- },
		"less":          func(r *format.Recipe) { r.Runs = r.Runs[:len(r.Runs)-1] },
		"more":          func(r *format.Recipe) { r.Runs = append(r.Runs, r.Runs[0]) },
		"another slab":  func(r *format.Recipe) { r.Runs[0].Slab[0]++ },
		"without end":   func(r *format.Recipe) { r.Runs = endlessRuns(r.Runs[0]) },
		"other digest":  func(r *format.Recipe) { r.Digest[0]++ },
		"nested, wrong": func(r *format.Recipe) { r.Level = 1 },
	} {
		for of, recipe := range map[string]func(*format.Volume) **format.Recipe{
			"contents": func(v *format.Volume) **format.Recipe { return &v.Contents },
			"states":   func(v *format.Volume) **format.Recipe { return &v.States },
			"stamps":   func(v *format.Volume) **format.Recipe { return &v.Stamps },
			"members": func(v *format.Volume) **format.Recipe {
				list := &v.MemberList
				return &list
			},
		} {
			v := made.Capture.Volumes[0]
			at := recipe(&v)
			changed := **at
			changed.Runs = slices.Clone(changed.Runs)
			change(&changed)
			if of == "members" {
				v.MemberList = changed
			} else {
				*at = &changed
			}
			if got := s.proves(t.Context(), &v); got != (name == "as it is") {
				t.Errorf("%s, %s: proved %v", of, name, got)
			}
		}
	}
}

func endlessRuns(run format.Run) []format.Run {
	run.Count, run.Times = 1, 1<<32-1
	return slices.Repeat([]format.Run{run}, format.MaxInlineRuns)
}
