package store_test

import (
	"archive/tar"
	"bytes"
	"errors"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// memberTar has links, extended headers and a duplicate.
func memberTar(t testing.TB) []byte {
	long := strings.Repeat("shelf/", 60) + "bean"
	return tarOf(t,
		file{name: "./", hdr: func(h *tar.Header) { h.Typeflag, h.Mode = tar.TypeDir, 0o755 }},
		file{name: "./lots/", hdr: func(h *tar.Header) { h.Typeflag, h.Mode = tar.TypeDir, 0o755 }},
		file{name: "./lots/a", content: random(1, 700)},
		file{name: "./lots/b", content: random(2, 300_000)},
		file{name: "./lots/link-b", hdr: func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, "./lots/b" }},
		file{name: "./lots/other-b", hdr: func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, "./lots/b" }},
		file{name: "./latest", hdr: func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeSymlink, "lots/b" }},
		file{name: long, content: []byte("deep")},
		file{name: "./empty"},
		file{name: "./lots/a", content: random(3, 900)},
	)
}

func TestOpenMember(t *testing.T) {
	f := newFixture(t)
	c := f.capture(memberTar(t))
	v := &c.Volumes[0]
	for name, want := range map[string][]byte{
		"lots/a":                              random(3, 900), // the last of that name counts
		"./lots/b":                            random(2, 300_000),
		"lots/link-b":                         random(2, 300_000),
		"empty":                               {},
		strings.Repeat("shelf/", 60) + "bean": []byte("deep"),
	} {
		m, content, err := f.OpenMember(t.Context(), v, name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got, err := io.ReadAll(content)
		content.Close()
		if err != nil || !bytes.Equal(got, want) || m.Size != int64(len(want)) {
			t.Errorf("%s: %d bytes of %d, %v", name, len(got), len(want), err)
		}
	}
	for _, name := range []string{"lots", "latest", "lots/c", ""} {
		if _, _, err := f.OpenMember(t.Context(), v, name); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%q: %v", name, err)
		}
	}
}

// TestRestoreMembers reads what is restored with archive/tar, the Go project's
// own reader.
func TestRestoreMembers(t *testing.T) {
	f := newFixture(t)
	c := f.capture(memberTar(t))
	for pattern, want := range map[string][]string{
		"lots/b":       {"./lots/b file 300000"},
		"lots/*-b":     {"./lots/link-b file 300000", "./lots/other-b link to ./lots/link-b"},
		"lots/[lo]*-b": {"./lots/link-b file 300000", "./lots/other-b link to ./lots/link-b"},
		"lots/?":       {"./lots/a file 700", "./lots/b file 300000", "./lots/a file 900"},
		"lots/*":       {"./lots/a file 700", "./lots/b file 300000", "./lots/link-b link to ./lots/b", "./lots/other-b link to ./lots/b", "./lots/a file 900"},
		"latest":       {"./latest symlink"},
	} {
		var out bytes.Buffer
		n, err := f.RestoreMembers(t.Context(), &c.Volumes[0], func(p string) bool {
			ok, _ := path.Match(pattern, p)
			return ok
		}, &out, store.RestoreOptions{})
		if err != nil {
			t.Errorf("%s: %v", pattern, err)
			continue
		}
		if got := readTar(t, &out); !slices.Equal(got, want) || n != len(want) {
			t.Errorf("%s: %d members\n got %q\nwant %q", pattern, n, got, want)
		}
	}
	_, err := f.RestoreMembers(t.Context(), &c.Volumes[0], func(string) bool { return false }, io.Discard, store.RestoreOptions{})
	if !errors.Is(err, store.ErrNotFound) {
		t.Errorf("nothing chosen: %v", err)
	}
}

// readTar describes the members of a tar stream, and checks the contents of
// files against the random ones of memberTar.
func readTar(t *testing.T, r io.Reader) (out []string) {
	t.Helper()
	contents := map[int][]byte{700: random(1, 700), 300_000: random(2, 300_000), 900: random(3, 900)}
	for in := tar.NewReader(r); ; {
		h, err := in.Next()
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		switch h.Typeflag {
		case tar.TypeReg:
			if !bytes.Equal(b, contents[len(b)]) {
				t.Errorf("%s: other contents", h.Name)
			}
			out = append(out, h.Name+" file "+strconv.Itoa(len(b)))
		case tar.TypeLink:
			out = append(out, h.Name+" link to "+h.Linkname)
		case tar.TypeSymlink:
			out = append(out, h.Name+" symlink")
		default:
			out = append(out, h.Name)
		}
	}
}

func TestMembers(t *testing.T) {
	f := newFixture(t)
	in := memberTar(t)
	c := f.capture(in)
	var got, want []string
	for m, err := range f.Members(t.Context(), &c.Volumes[0]) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, m.Path)
	}
	for r := tar.NewReader(bytes.NewReader(in)); ; {
		h, err := r.Next()
		if err == io.EOF {
			break
		}
		want = append(want, h.Name)
	}
	if !slices.Equal(got, want) || int(c.Members) != len(want) {
		t.Errorf("%d members\n got %q\nwant %q", c.Members, got, want)
	}
	plain := f.capture([]byte("-- dump"))
	for m, err := range f.Members(t.Context(), &plain.Volumes[0]) {
		if err != nil || m.Path != "data" || m.Size != 7 {
			t.Errorf("%+v, %v", m, err)
		}
	}
}
