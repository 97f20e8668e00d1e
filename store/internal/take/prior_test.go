package take

import (
	"errors"
	"fmt"
	"os"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// capturedFolder gives a repository with a capture of a folder, and what would be
// captured next.
func capturedFolder(t *testing.T) (*Taker, Options) {
	t.Helper()
	dir := t.TempDir()
	for i := range 50 {
		if err := os.WriteFile(fmt.Sprintf("%s/%d", dir, i), make([]byte, i*11), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r := newTaker(t)
	o := Options{Meter: vault.NewMeter(nil), Volumes: []Volume{{Source: dir, Folder: &Folder{
		Path: dir, Now: func() time.Time { return time.Now().Add(time.Hour) },
	}}}}
	if _, err := r.Capture(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	return r, o
}

// begun gives a session that has begun to take in.
func begun(t *testing.T, r *Taker, o Options) *session {
	t.Helper()
	s, err := r.newSession(t.Context(), o)
	if err == nil {
		err = s.await()
	}
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestPriorCheck holds the places of members against the streams of a capture.
func TestPriorCheck(t *testing.T) {
	r, o := capturedFolder(t)
	for name, c := range map[string]struct {
		harm func(*prior)
		want error
	}{
		"whole":          {func(*prior) {}, nil},
		"not at the end": {func(p *prior) { p.next(notWanted) }, nil},
		"other list":     {func(p *prior) { p.at.list++ }, errPrior},
		"other stamps":   {func(p *prior) { p.at.stamps-- }, errPrior},
		"failed":         {func(p *prior) { p.end(errors.New("the share went away")) }, errPrior},
		"contents that are left": {func(p *prior) {
			p.places = func(uint64) (weave.Place, uint64, error, bool) { return weave.Place{}, 1, nil, true }
		}, errPrior},
		"contents that are missing": {func(p *prior) {
			p.places = func(uint64) (weave.Place, uint64, error, bool) { return weave.Place{}, 0, nil, false }
		}, errPrior},
		"list that goes on": {func(p *prior) { p.list.length++ }, errPrior},
	} {
		t.Run(name, func(t *testing.T) {
			s := begun(t, r, o)
			defer s.abandon(t.Context())
			p := s.openPrior(t.Context(), o.Volumes[0])
			if p == nil {
				t.Fatal("nothing to take over")
			}
			defer p.close()
			c.harm(p)
			if err := p.check(s.Entries); err != c.want {
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
		if _, err := first.Intake.Close(); err != nil {
			t.Fatal(err)
		}
		s := testSession(t, r)
		s.o.After = &format.IndexFile{Volumes: []format.Volume{v}}
		p := s.openPrior(t.Context(), o.Volumes[0])
		if (p != nil) != c.used {
			t.Errorf("%s: used: %v", name, p != nil)
		}
		p.close()
	}
}

// TestWholeContents takes the recipe of contents over where all of them are, and only
// there. It is a nested one: every other file changed.
func TestWholeContents(t *testing.T) {
	r, o := capturedFolder(t)
	dir := o.Volumes[0].Folder.Path
	var before *Made
	for _, round := range []string{"first", "second"} {
		for i := range 2 * format.MaxInlineRuns {
			if round == "first" || i%2 == 0 {
				content := fmt.Sprintf("%s %d", round, i)
				if err := os.WriteFile(fmt.Sprintf("%s/many-%03d", dir, i), []byte(content), 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
		var err error
		if before, err = r.Capture(t.Context(), o); err != nil {
			t.Fatal(err)
		}
	}
	want := before.Capture.Volumes[0].Contents
	if want.Level != 1 {
		t.Fatalf("the recipe is of level %d", want.Level)
	}
	s := begun(t, r, o)
	defer s.abandon(t.Context())
	for name, c := range map[string]struct {
		change func(*folderSink)
		whole  bool
	}{
		"all is there":              {func(*folderSink) {}, true},
		"something was read":        {func(f *folderSink) { f.read = true }, false},
		"a chunk was not found":     {func(f *folderSink) { f.prior.located-- }, false},
		"runs that are not there":   {func(f *folderSink) { f.prior.locator.Index = known.New() }, false},
		"runs that can't be read":   {func(f *folderSink) { f.prior.contents.Runs[0].Slab[0] ^= 1 }, false},
		"nothing to take over from": {func(f *folderSink) { f.prior.close(); f.prior = nil }, false},
	} {
		f, err := s.newFolderSink(t.Context(), o.Volumes[0], time.Now(), false)
		if err != nil || f.prior == nil {
			t.Fatal(f, err)
		}
		f.prior.located = want.Chunks
		contents := *f.prior.contents
		contents.Runs = slices.Clone(contents.Runs)
		f.prior.contents = &contents
		c.change(f)
		if got := f.unchangedContents(t.Context()); (got != nil) != c.whole {
			t.Errorf("%s: got %v", name, got)
		}
		f.prior.close()
	}

	clear(s.Uses)
	again, err := s.takeVolume(t.Context(), o.Volumes[0])
	if err == nil {
		err = s.Intake.Settle()
	}
	if err == nil {
		err = s.WriteRecipes(&again.record, &again.Strands)
	}
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(again.record.Contents, want) {
		t.Errorf("the recipe of unchanged contents is %v, it was %v", again.record.Contents, want)
	}
	for run, err := range r.slabs.Runs(t.Context(), want) {
		if err != nil || !s.Uses[run.Slab] {
			t.Errorf("slab %v is not noted as used, %v", run.Slab, err)
		}
	}
	for _, run := range want.Runs {
		if !s.Uses[run.Slab] {
			t.Errorf("slab %v of the nested recipe is not noted as used", run.Slab)
		}
	}
}
