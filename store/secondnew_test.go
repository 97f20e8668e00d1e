package store_test

import (
	"archive/tar"
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// TestSecondReaderOfNew has the second reader read what the library writes
// today: the golden repository is of its own day.
func TestSecondReaderOfNew(t *testing.T) {
	oneByOne(t)
	f := newFixture(t)
	junk := append(tarOf(t, file{name: "a", content: []byte("bean")}), random(3, 200_000)...)
	var many [2][]file
	for i := range 400 {
		for version := range many {
			content := random(byte(i%200*(version*i%2+1)), i*13)
			many[version] = append(many[version], file{name: fmt.Sprintf("shelf/%03d", i), content: content})
		}
	}
	large := []file{{name: "zeros", content: make([]byte, 1<<20)}, {name: "seeds", content: random(1, 3<<20)}}
	var want []secondWanted
	for version, streams := range [][][]byte{
		{tarOf(t, large...), tarOf(t, many[0]...), nil, random(9, 100_000)},
		{tarOf(t, large...), tarOf(t, many[1]...), junk, random(9, 100_001)},
	} {
		var volumes []store.VolumeInput
		var w secondWanted
		for i, b := range streams {
			volumes = append(volumes, named(fmt.Sprintf("volume-%d", i), b))
			sum := sha256.Sum256(b)
			w.SHA256 = append(w.SHA256, hex.EncodeToString(sum[:]))
		}
		c, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: volumes, Taken: time.Date(2026, 3, 14, 2, version, 0, 5e8, time.UTC)})
		if err != nil {
			t.Fatal(err)
		}
		w.ID, w.Paths = c.ID, []string{"zeros", "seeds"}
		want = append(want, w)
	}
	r := secondOf(t, f)
	if _, err := checkSecond(r, want); err != nil {
		t.Error(err)
	}
	frames := 0
	for _, s := range r.slabs {
		frames = max(frames, len(s.frames))
	}
	if frames < 4 {
		t.Errorf("the longest slab has %d frames: that tests little", frames)
	}
}

// secondOf opens a fixture's repository with the second reader.
func secondOf(t *testing.T, f *fixture) *secondReader {
	t.Helper()
	whole := fstest.MapFS{}
	for name, b := range objects(t, f.mem) {
		whole[name] = &fstest.MapFile{Data: b}
	}
	var key bytes.Buffer
	if _, err := f.key.WriteTo(&key); err != nil {
		t.Fatal(err)
	}
	r, err := openSecond(whole, "key-file", key.Bytes(), zstdPackage(t))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestSecondReaderOfHeaders captures tar streams of many kinds of headers, and
// again when all members were touched, which changes the stamps alone.
func TestSecondReaderOfHeaders(t *testing.T) {
	f := newFixture(t)
	var want []secondWanted
	for version := range 2 {
		at := time.Unix(1700000000, 123456789).Add(time.Duration(version) * 1e12)
		var volumes []store.VolumeInput
		w := secondWanted{Paths: []string{"beans", strings.Repeat("shelf/", 30) + "peas", "link"}}
		add := func(name string, b []byte) {
			volumes = append(volumes, named(name, b))
			sum := sha256.Sum256(b)
			w.SHA256 = append(w.SHA256, hex.EncodeToString(sum[:]))
		}
		add("pax", headersTar(t, tar.FormatPAX, at))
		add("gnu", headersTar(t, tar.FormatGNU, at))
		add("ustar", tarOf(t, file{name: "a", content: []byte("bean"), hdr: func(h *tar.Header) { h.Format, h.ModTime = tar.FormatUSTAR, at.Truncate(time.Second) }}))
		add("sums", otherSums(headersTar(t, tar.FormatPAX, at)))
		add("many", manyGlobals(t, at))
		add("short", headersTar(t, tar.FormatPAX, at)[:5*512+100])
		for _, format := range []string{"--format=gnu", "--format=posix --sparse-version=0.0", "--format=posix --sparse-version=0.1", "--format=posix --sparse-version=1.0"} {
			if b := sparseTar(t, at, strings.Fields(format)...); b != nil {
				add("sparse "+format, b)
			}
		}
		c, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: volumes, AcceptUnfinished: true, Taken: time.Date(2026, 3, 14, 2, version, 0, 0, time.UTC)})
		if err != nil {
			t.Fatal(err)
		}
		w.ID = c.ID
		want = append(want, w)
	}
	r := secondOf(t, f)
	if _, err := checkSecond(r, want); err != nil {
		t.Fatal(err)
	}
	checkTouched(t, r, want)
}

// checkTouched tests that a touch changed the stamps of the first volumes, and
// their lists not.
func checkTouched(t *testing.T, r *secondReader, want []secondWanted) {
	t.Helper()
	var touched [2]*secondIndex
	for i := range touched {
		var err error
		if touched[i], _, err = r.index("captures/" + want[i].ID); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 3 {
		a, b := &touched[0].Volumes[i], &touched[1].Volumes[i]
		if a.Stamps == nil || b.Stamps == nil || bytes.Equal(a.Stamps.Digest, b.Stamps.Digest) || !bytes.Equal(a.List.Digest, b.List.Digest) {
			t.Errorf("volume %s: a touch must change the stamps and nothing else", a.Name)
		}
	}
}

// headersTar gives a stream with a long name, times in nanoseconds where the
// format has them, a long link and attributes.
func headersTar(t *testing.T, format tar.Format, at time.Time) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	long := strings.Repeat("shelf/", 30) + "peas"
	for _, h := range []*tar.Header{
		{Name: "beans", Size: 700, Mode: 0o644, ModTime: at},
		{Name: long, Size: 20_000, Mode: 0o600, ModTime: at.Add(1)},
		{Name: "link", Typeflag: tar.TypeSymlink, Linkname: long, ModTime: at.Add(2)},
	} {
		if h.Format = format; format == tar.FormatPAX {
			h.PAXRecords = map[string]string{"SCHILY.xattr.user.lot": strings.Repeat("7", 2000)}
		} else {
			h.ModTime = h.ModTime.Truncate(time.Second)
		}
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(random(5, int(h.Size))); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// otherSums writes the checksums of a stream as seven digits and a zero: POSIX
// takes them too, and no reader could guess them.
func otherSums(stream []byte) []byte {
	for block := range slices.Chunk(stream, 512) {
		if len(block) == 512 && string(block[257:262]) == "ustar" && block[155] == ' ' {
			copy(block[148:156], "0"+string(block[148:154])+"\x00")
		}
	}
	return stream
}

// manyGlobals gives a member behind more headers than an entry may have cuts.
func manyGlobals(t *testing.T, at time.Time) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for i := range 200 {
		if err := w.WriteHeader(&tar.Header{Typeflag: tar.TypeXGlobalHeader, PAXRecords: map[string]string{"comment": fmt.Sprint("lot ", i)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.WriteHeader(&tar.Header{Name: "bean", ModTime: at, Format: tar.FormatPAX}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestSecondReaderOfAlternating captures headers that are almost as long as they
// may be and become longer when packed, in the member list (a global header) and
// in the stamps (an extended one).
func TestSecondReaderOfAlternating(t *testing.T) {
	oneByOne(t)
	f := newFixture(t)
	value := strings.Repeat("\x00\x01", 1040_000/2)
	var w secondWanted
	var volumes []store.VolumeInput
	for i, h := range []tar.Header{{Typeflag: tar.TypeXGlobalHeader}, {Name: "a", Format: tar.FormatPAX}} {
		h.PAXRecords = map[string]string{"SCHILY.xattr.user.lot": value}
		var b bytes.Buffer
		tw := tar.NewWriter(&b)
		err1 := tw.WriteHeader(&h)
		err2 := tw.WriteHeader(&tar.Header{Name: "bean", Format: tar.FormatUSTAR})
		if err := cmp.Or(err1, err2, tw.Close()); err != nil {
			t.Fatal(err)
		}
		volumes = append(volumes, named(fmt.Sprint("volume-", i), b.Bytes()))
		sum := sha256.Sum256(b.Bytes())
		w.SHA256 = append(w.SHA256, hex.EncodeToString(sum[:]))
	}
	c, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: volumes})
	if err != nil {
		t.Fatal(err)
	}
	w.ID = c.ID
	r := secondOf(t, f)
	x, _, err := r.index("captures/" + c.ID)
	if err != nil {
		t.Fatal(err)
	}
	if list, stamps := &x.Volumes[0].List, x.Volumes[1].Stamps; list.Length < secondMaxHeader || stamps == nil || stamps.Length < secondMaxHeader {
		t.Errorf("list %d bytes, stamps %v: that tests little", list.Length, stamps)
	}
	w.Paths = []string{"GlobalHead.0.0", "bean"} // package tar gives a global header as a member
	if _, err := checkSecond(r, []secondWanted{w}); err != nil {
		t.Error(err)
	}
}

// sparseTar has GNU tar make a stream of files with holes, nil where it is
// missing. The fragments are too many for one header.
func sparseTar(t *testing.T, at time.Time, format ...string) []byte {
	t.Helper()
	program, err := exec.LookPath("tar")
	if err == nil {
		var version []byte
		if version, err = exec.CommandContext(t.Context(), program, "--version").Output(); err == nil && !bytes.Contains(version, []byte("GNU tar")) {
			err = errors.New("tar is not GNU tar")
		}
	}
	if err != nil && os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatal(err)
	} else if err != nil {
		return nil
	}
	dir := t.TempDir()
	f, err := os.Create(filepath.Join(dir, "holes"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range int64(60) {
		if _, err := f.WriteAt(random(byte(i), 4096), i*131072); err != nil {
			t.Fatal(err)
		}
	}
	if err := cmp.Or(f.Close(), os.Link(f.Name(), filepath.Join(dir, strings.Repeat("n", 120)))); err != nil {
		t.Fatal(err)
	}
	args := append([]string{"--create", "--sparse", "--directory=" + dir, "--mtime=" + at.UTC().Format(time.RFC3339Nano), "--sort=name"}, format...)
	b, err := exec.CommandContext(t.Context(), program, append(args, ".")...).Output()
	if err != nil || len(b) > 2<<20 {
		t.Fatalf("%d bytes: %v", len(b), err)
	}
	return b
}

// TestSecondReaderOfFolder captures a folder, and again when it changed a
// little, so that most is taken over.
func TestSecondReaderOfFolder(t *testing.T) {
	oneByOne(t)
	dir := sampleFolder(t)
	write(t, dir+"/"+strings.Repeat("long name ", 20), []byte("bean"))
	f := newFixture(t)
	var want []secondWanted
	for version := range 2 {
		if version == 1 {
			write(t, dir+"/lots/3/f.3", []byte("new content"))
			if err := os.Chtimes(dir+"/large", time.Time{}, time.Unix(5e9, 1)); err != nil {
				t.Fatal(err)
			}
		}
		var stream bytes.Buffer
		if _, err := volume.WriteTar(t.Context(), &stream, dir, volume.ReadOptions{}); err != nil {
			t.Fatal(err)
		}
		paths, err := tarPaths(stream.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		c, err := f.Capture(t.Context(), store.CaptureOptions{
			Name: "seedbank", Host: "hazel", Taken: time.Date(2026, 3, 14, 2, version, 0, 0, time.UTC),
			Volumes: []store.VolumeInput{{Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later}}},
		})
		if err != nil {
			t.Fatal(err)
		}
		if version == 1 && c.Volumes[0].Reused < 100 {
			t.Errorf("%d members were taken over: that tests little", c.Volumes[0].Reused)
		}
		sum := sha256.Sum256(stream.Bytes())
		want = append(want, secondWanted{ID: c.ID, SHA256: []string{hex.EncodeToString(sum[:])}, Paths: paths})
	}
	r := secondOf(t, f)
	if _, err := checkSecond(r, want); err != nil {
		t.Fatal(err)
	}
	x, _, err := r.index("captures/" + want[1].ID)
	if err != nil {
		t.Fatal(err)
	}
	states, extents, err := r.states(&x.Volumes[0])
	if err == nil {
		err = r.checkExtents(&x.Volumes[0], extents)
	}
	if err != nil {
		t.Fatal(err)
	}
	checkStates(t, states, dir, want[1].Paths)
}

// checkStates compares states with what GNU coreutils' stat tells of the files.
func checkStates(t *testing.T, states []secondState, dir string, paths []string) {
	t.Helper()
	if _, err := exec.LookPath("stat"); runtime.GOOS != "linux" || err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal("no stat of GNU coreutils")
		}
		return
	}
	c := exec.CommandContext(t.Context(), "stat", append([]string{"--format=%.9Z %.9Y %d %i %a %u %g %U %G %s %f", "--"}, paths...)...)
	c.Dir = dir
	out, err := c.Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(states) {
		t.Fatalf("%d states of %d files", len(states), len(lines))
	}
	later, links := 0, 0
	for i, line := range lines {
		got := states[i]
		want, mode := secondState{Path: []byte(paths[i])}, 0
		var changed int64
		_, err := fmt.Sscanf(strings.ReplaceAll(line, ".", ""), "%d %d %d %d %o %d %d %s %s %d %x", &changed, &want.Modified,
			&want.Device, &want.Inode, &want.Mode, &want.UID, &want.GID, &want.User, &want.Group, &want.Size, &mode)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []*[]byte{&want.User, &want.Group} {
			if string(*name) == "UNKNOWN" {
				*name = nil
			}
		}
		want.Changed = changed - want.Modified
		want.Type = map[int]uint8{0o04: '5', 0o10: '0', 0o12: '2'}[mode>>12]
		if got.Type == '1' { // by the order of the walk, which stat does not know
			links++
			want.Type, want.Link = '1', got.Link
		}
		if want.Type != '0' {
			want.Size = 0
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: state %v, stat says %v", paths[i], got, want)
		}
		if want.Changed != 0 {
			later++
		}
	}
	if later == 0 || links == 0 {
		t.Error("no change time differs from the modification time, or no hard link is there: that tests little")
	}
}
