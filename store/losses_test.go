package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// salvaged gives what is whole of a volume, by the names of members, and the paths of what is not.
func (f *fixture) salvaged(v *store.Volume) (whole map[string]string, lost []string, l *store.Losses) {
	f.t.Helper()
	l, err := f.FindLosses(f.t.Context(), v, nil)
	if err != nil {
		f.t.Fatal(err)
	}
	for _, m := range l.Members {
		if !errors.Is(m.Err, store.ErrDamaged) && !errors.Is(m.Err, store.ErrCut) {
			f.t.Errorf("%s is lost by %v", m.Path, m.Err)
		}
		lost = append(lost, m.Path)
	}
	var out bytes.Buffer
	n, err := f.RestoreWhole(f.t.Context(), l, nil, &out, store.RestoreOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	whole = make(map[string]string)
	for r := tar.NewReader(&out); ; n-- {
		h, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			f.t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			f.t.Fatal(err)
		}
		whole[store.CleanPath(h.Name)] = string(b)
	}
	if n != 0 {
		f.t.Errorf("it said %d members too many", n)
	}
	return whole, lost, l
}

// badDay is a tar stream whose members' contents lie in several frames.
func badDay(t *testing.T) (b []byte, contents map[string]string) {
	contents = make(map[string]string)
	var files []file
	for i := range 40 {
		name := fmt.Sprintf("lots/%02d", i)
		content := random(byte(i), 100_000+i)
		files = append(files, file{name: name, content: content})
		contents[name] = string(content)
	}
	files = append(files, file{name: "empty"})
	contents["empty"] = ""
	for _, name := range []string{"lots/05", "lots/20"} {
		files = append(files, file{"again-" + name[5:], nil, func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, name }})
		contents["again-"+name[5:]] = ""
	}
	return tarOf(t, files...), contents
}

// TestFindLosses: whatever byte of a slab is wrong, each member comes out as it was or is named, and
// never anything else.
func TestFindLosses(t *testing.T) {
	oneByOne(t)
	f := newFixture(t)
	f.harmed = true
	in, contents := badDay(t)
	c := f.capture(in)
	v := &c.Volumes[0]
	if whole, lost, l := f.salvaged(v); !l.None() || len(lost) > 0 || len(whole) != len(contents) {
		t.Fatalf("unharmed: %d members, lost %q, %v", len(whole), lost, l.Ends)
	}
	infos, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(infos, func(a, b storage.Info) int { return int(b.Size - a.Size) })
	name, partly := infos[0].Name, 0
	b := make([]byte, infos[0].Size)
	if err := f.mem.ReadAt(t.Context(), name, b, 0); err != nil {
		t.Fatal(err)
	}
	step := len(b) / 23
	for at := step / 2; at < len(b); at += step {
		bad := slices.Clone(b)
		bad[at] ^= 1
		f.replace(name, bad)
		f.reopen()
		again, err := f.Find(t.Context(), c.ID)
		if err != nil {
			t.Fatal(err)
		}
		whole, lost, l := f.salvaged(&again.Volumes[0])
		for path, content := range whole {
			if contents[path] != content {
				t.Fatalf("byte %d: %s came out wrong", at, path)
			}
		}
		for path := range contents {
			if _, ok := whole[path]; ok == slices.Contains(lost, path) && l.Ends == nil {
				t.Errorf("byte %d: %s is whole %t, and named as lost %t", at, path, ok, !ok)
			}
		}
		if len(lost) > 0 && len(whole) > len(lost) {
			partly++
		}
		for _, link := range []string{"05", "20"} {
			if slices.Contains(lost, "lots/"+link) != slices.Contains(lost, "again-"+link) {
				t.Errorf("byte %d: of lots/%s and its other name one is lost: %q", at, link, lost)
			}
		}
	}
	if partly < 5 {
		t.Errorf("only %d times some was lost and more was not", partly)
	}
}

// TestFindLossesSlabs: a slab that is gone takes what lies in it, and no more.
func TestFindLossesSlabs(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.capture(tarOf(t, file{name: "a", content: random(1, 300_000)}))
	first, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	c := f.capture(tarOf(t, file{name: "a", content: random(1, 300_000)}, file{name: "b", content: random(2, 300_000)}, file{name: "c"}))
	for _, info := range first {
		if err := f.mem.Remove(t.Context(), info.Name); err != nil {
			t.Fatal(err)
		}
	}
	f.reopen()
	again, err := f.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	whole, lost, l := f.salvaged(&again.Volumes[0])
	if !slices.Equal(lost, []string{"a"}) || len(whole) != 2 || whole["b"] != string(random(2, 300_000)) || l.Unproved != nil || l.Ends != nil {
		t.Errorf("lost %q, there are %d, unproved: %v, ends: %v", lost, len(whole), l.Unproved, l.Ends)
	}
	for _, info := range first { // and it counts as lost in a folder, too
		if !strings.Contains(l.Members[0].Err.Error(), info.Name) {
			continue
		}
		dir := t.TempDir() + "/srv"
		if _, err := f.RestoreFolder(t.Context(), []*store.Volume{&again.Volumes[0]}, dir, store.FolderOptions{}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("restored with damage: %v", err)
		}
		done, err := f.RestoreFolder(t.Context(), []*store.Volume{&again.Volumes[0]}, dir, store.FolderOptions{Losses: []*store.Losses{l}})
		if err != nil || done.Members != 2 {
			t.Errorf("%+v, %v", done, err)
		}
		sameFiles(t, "what is whole", dir, map[string]string{"b": string(random(2, 300_000)), "c": ""})
	}
}

// TestFindLossesLast: of two members of one name the last counts. Where it is lost, the one before
// does not come in its place.
func TestFindLossesLast(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.capture(tarOf(t, file{name: "a", content: random(2, 300_000)}))
	harmed, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	c := f.capture(tarOf(t, file{name: "a", content: random(1, 300_000)}, file{name: "a", content: random(2, 300_000)}, file{name: "b", content: []byte("bean")}))
	for _, info := range harmed {
		if err := f.mem.Remove(t.Context(), info.Name); err != nil {
			t.Fatal(err)
		}
	}
	f.reopen()
	again, err := f.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	if whole, lost, _ := f.salvaged(&again.Volumes[0]); !slices.Equal(lost, []string{"a"}) || len(whole) != 1 {
		t.Errorf("lost %q, there are %d", lost, len(whole))
	}
}

// TestUnfinishedFolder: a stream that was taken though it was cut short comes back as a folder, as
// far as it goes.
func TestUnfinishedFolder(t *testing.T) {
	f := newFixture(t)
	own := tarOf(t, file{name: "catalogue", content: []byte("bean")}, file{name: "lots", content: random(1, 10_000)})
	for cut, want := range map[int]struct {
		lost  []string
		files map[string]string
	}{
		3000:    {[]string{"lots"}, map[string]string{"catalogue": "bean"}},
		1030:    {nil, map[string]string{"catalogue": "bean"}},
		2 * 512: {nil, map[string]string{"catalogue": "bean"}},
	} {
		in := stream(own[:cut])
		c, err := f.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", AcceptUnfinished: true, Volumes: []store.VolumeInput{in}})
		if err != nil {
			t.Fatal(err)
		}
		v := []*store.Volume{&c.Volumes[0]}
		dir := t.TempDir() + "/srv"
		if _, err := f.RestoreFolder(t.Context(), v, dir, store.FolderOptions{}); !errors.Is(err, store.ErrUnfinished) {
			t.Errorf("%d: %v", cut, err)
		}
		_, lost, l := f.salvaged(v[0])
		if !slices.Equal(lost, want.lost) || l.Ends == nil || l.None() {
			t.Errorf("%d: lost %q, it ends by %v", cut, lost, l.Ends)
		}
		if _, err := f.RestoreFolder(t.Context(), v, dir, store.FolderOptions{Losses: []*store.Losses{l}}); err != nil {
			t.Fatal(err)
		}
		sameFiles(t, fmt.Sprint(cut), dir, want.files)
	}
}

// TestRestoreBeside: what lives stays.
func TestRestoreBeside(t *testing.T) {
	f := newFixture(t)
	volumes := f.twoVolumes()
	dir := t.TempDir() + "/srv"
	if _, err := f.RestoreFolder(t.Context(), volumes[1:2], dir, store.FolderOptions{}); err != nil {
		t.Fatal(err)
	}
	now := func() time.Time { return time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC) }
	for _, suffix := range []string{"", "-2"} {
		done, err := f.RestoreFolder(t.Context(), volumes[:1], dir, store.FolderOptions{Beside: true, Now: now})
		if err != nil || done.Beside != dir+".rescued-20260314t020305z"+suffix || done.Members == 0 {
			t.Fatalf("%+v, %v", done, err)
		}
		sameFiles(t, "beside", done.Beside, map[string]string{"catalogue": "bean", "seeds": "/", "seeds/lot": "barley"})
		sameFiles(t, "what lives", dir, map[string]string{"catalogue": "oat"})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := f.RestoreFolder(ctx, volumes[:1], dir, store.FolderOptions{Beside: true}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// TestFindLossesFlipped: a frame that opens, and holds what was not captured, is found out: nothing of
// it comes out as if it were right.
func TestFindLossesFlipped(t *testing.T) {
	found := 0
	for n := range 4 {
		d := bytesCase(t, tarOf(t, lots(1)...), func(_ *fixture, tamper *forge) { tamper.flip(tamper.allChunks()[n]) })
		d.harmed = true
		captures, err := d.Captures(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range captures {
			want := contentsOf(t, d.streams[c.ID])
			whole, lost, l := d.salvaged(&c.Volumes[0])
			found += len(lost)
			for path, content := range whole {
				if string(want[path]) != content && l.Unproved == nil {
					t.Errorf("chunk %d: %s of %s came out wrong", n, path, c.ID)
				}
			}
			for path := range want {
				if _, ok := whole[path]; ok == slices.Contains(lost, path) && l.Ends == nil {
					t.Errorf("chunk %d: %s of %s is whole %t, and named as lost %t", n, path, c.ID, ok, !ok)
				}
			}
		}
	}
	if found < 4 {
		t.Errorf("only %d were found to be lost", found)
	}
}

// TestFindLossesLink: a link is lost with the file that it was a name of, though another one has that
// name later.
func TestFindLossesLink(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.capture(tarOf(t, file{name: "a", content: random(2, 300_000)}))
	harmed, err := f.mem.List(t.Context(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	c := f.capture(tarOf(t, file{name: "a", content: random(2, 300_000)},
		file{"b", nil, func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, "a" }},
		file{name: "a", content: []byte("bean")}))
	for _, info := range harmed {
		if err := f.mem.Remove(t.Context(), info.Name); err != nil {
			t.Fatal(err)
		}
	}
	f.reopen()
	again, err := f.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	whole, lost, l := f.salvaged(&again.Volumes[0])
	if !slices.Equal(lost, []string{"b"}) || len(whole) != 1 || whole["a"] != "bean" {
		t.Errorf("lost %q, there are %d; ends: %v", lost, len(whole), l.Ends)
	}
}
