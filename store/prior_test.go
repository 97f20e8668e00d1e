package store

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// TestComparePaths has paths in the order of a walk: a folder comes before what it
// holds, and that before names that only begin like it.
func TestComparePaths(t *testing.T) {
	ordered := []string{
		"", "./", "./A", "./a", "./a/", "./a/b/", "./a/b/c", "./a/b!", "./a/b.c", "./a/c", "./a!", "./a!/", "./a!/x",
		"./a-", "./a.b", "./a0", "./aa", "./b", "./\xff",
	}
	for i, a := range ordered {
		for j, b := range ordered {
			want := 0
			if i < j {
				want = -1
			} else if i > j {
				want = 1
			}
			if got := comparePaths(a, b); got != want {
				t.Errorf("%q, %q: %d", a, b, got)
			}
		}
	}
	shuffled := slices.Clone(ordered)
	slices.Reverse(shuffled)
	if slices.SortFunc(shuffled, comparePaths); !slices.Equal(shuffled, ordered) {
		t.Errorf("sorted: %q", shuffled)
	}
}

// capturedFolder gives a repository with a capture of a folder, and what would be
// captured next.
func capturedFolder(t *testing.T) (*Repository, CaptureOptions) {
	t.Helper()
	dir := t.TempDir()
	for i := range 50 {
		if err := os.WriteFile(fmt.Sprintf("%s/%d", dir, i), make([]byte, i*11), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	o := CaptureOptions{Volumes: []VolumeInput{{Source: dir, Folder: &FolderInput{
		Path: dir, Now: func() time.Time { return time.Now().Add(time.Hour) },
	}}}}
	if _, err := r.Capture(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	return r, o
}

// TestPriorCheck holds the places of members against the streams of a capture.
func TestPriorCheck(t *testing.T) {
	r, o := capturedFolder(t)
	for name, c := range map[string]struct {
		harm func(*prior)
		want error
	}{
		"whole":                  {func(*prior) {}, nil},
		"not at the end":         {func(p *prior) { p.next(notWanted) }, nil},
		"other list":             {func(p *prior) { p.at.list++ }, errPrior},
		"other stamps":           {func(p *prior) { p.at.stamps-- }, errPrior},
		"failed":                 {func(p *prior) { p.end(errors.New("the share went away")) }, errPrior},
		"contents that are left": {func(p *prior) { p.places = func() (place, error, bool) { return place{}, nil, true } }, errPrior},
		"contents that are missing": {func(p *prior) {
			p.places = func() (place, error, bool) { return place{}, nil, false }
		}, errPrior},
		"list that goes on": {func(p *prior) { p.list.length++ }, errPrior},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := r.newSession(t.Context(), o)
			if err == nil {
				err = s.await()
			}
			if err != nil {
				t.Fatal(err)
			}
			defer s.abandon(t.Context())
			p := s.openPrior(t.Context(), o.Volumes[0])
			if p == nil {
				t.Fatal("nothing to take over")
			}
			defer p.close()
			c.harm(p)
			if err := p.check(s.entries); err != c.want {
				t.Errorf("got %v", err)
			}
		})
	}
}

// TestPriorOfOtherVersion takes nothing over where states are of another version,
// or can't be read.
func TestPriorOfOtherVersion(t *testing.T) {
	r, o := capturedFolder(t)
	e := format.NewStateEncoder()
	record := append([]byte(nil), e.Encode(format.State{Path: []byte("./")})...)
	record = append(record, e.Extent(&format.Extent{})...)
	for name, c := range map[string]struct {
		states []byte
		used   bool
	}{
		"this":    {append([]byte{format.StatesVersion}, record...), true},
		"first":   {[]byte{1, 0x83, 0, 0, 0}, false},
		"next":    {append([]byte{format.StatesVersion + 1}, record...), false},
		"invalid": {[]byte{format.StatesVersion, 0xff}, false},
		"short":   {append([]byte{format.StatesVersion}, record[:9]...), false},
	} {
		first := testSession(t, r)
		v := format.Volume{Source: o.Volumes[0].Source, MemberList: takePlain(t, first, []byte("entries "+name))}
		states := takePlain(t, first, c.states)
		v.States = &states
		if _, err := first.intake.Close(); err != nil {
			t.Fatal(err)
		}
		s := testSession(t, r)
		s.o.After = &Draft{&format.IndexFile{Volumes: []format.Volume{v}}}
		p := s.openPrior(t.Context(), o.Volumes[0])
		if (p != nil) != c.used {
			t.Errorf("%s: used: %v", name, p != nil)
		}
		p.close()
	}
}
