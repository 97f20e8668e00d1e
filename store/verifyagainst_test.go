package store

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
)

// Two places are compared: what each has alone, what is the same, and what is damaged in which of the two.
func TestVerifyAgainst(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	one := here.put("seedbank", text(1, 60_000))
	here.replicate(there)
	ours, theirs := here.put("seedbank", "ours"), there.put("seedbank", "theirs")
	against := func(full bool) *Against {
		t.Helper()
		out, err := here.VerifyAgainst(t.Context(), there.Repository, AgainstOptions{Full: full})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	for _, full := range []bool{false, true} {
		out := against(full)
		if !out.Same() || out.Both != 1 || !slices.Equal(out.Here, []string{ours.ID}) || !slices.Equal(out.There, []string{theirs.ID}) || out.Slabs == 0 {
			t.Errorf("full %t: %+v", full, out)
		}
	}
	slabs, err := b.mem.List(t.Context(), names.Slabs)
	if err != nil {
		t.Fatal(err)
	}
	var both int64
	for _, info := range slabs {
		if _, err := a.mem.Stat(t.Context(), info.Name); err == nil {
			both += 2 * info.Size
		}
	}
	var last Progress
	if _, err := here.VerifyAgainst(t.Context(), there.Repository, AgainstOptions{Progress: func(p Progress) { last = p }}); err != nil || last != (Progress{Bytes: both, Total: both, Done: true}) {
		t.Errorf("%+v of %d bytes, %v", last, both, err)
	}
	var shared string
	for _, info := range slabs {
		if info.Size > 10_000 {
			shared = info.Name
		}
	}
	b.flip(shared, 5000) // within a frame
	if out := against(false); !out.Same() {
		t.Errorf("a frame was read: %+v", out)
	}
	if out := against(true); len(out.Unlike) != 1 || out.Unlike[0].Object != shared || out.Unlike[0].Here != "" || strings.Count(out.Unlike[0].There, "frame") != 1 {
		t.Errorf("%+v", out)
	}
	b.cut(shared, 100)
	a.flip(names.Capture(one.ID, 0), 200)
	if out := against(false); len(out.Unlike) != 2 || out.Unlike[0].Here == "" || out.Unlike[1].There == "" {
		t.Errorf("%+v", out)
	}
	if _, err := here.VerifyAgainst(t.Context(), newSite(t).open("").Repository, AgainstOptions{}); !errors.Is(err, ErrNotReplica) {
		t.Errorf("%v", err)
	}
	if _, err := here.VerifyAgainst(t.Context(), nil, AgainstOptions{}); !errors.Is(err, ErrForeign) {
		t.Errorf("%v", err)
	}
}
