package volume_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/volume"
	"pgregory.net/rapid"
)

// model is what a folder should hold after some members: plain rules on paths, without any file.
type model map[string]*modelNode

type modelNode struct {
	kind byte // tar.TypeReg, TypeDir or TypeSymlink
	text string
}

func (m model) isEmpty(dir string) bool {
	for p := range m {
		if strings.HasPrefix(p, dir+"/") {
			return false
		}
	}
	return true
}

// parents makes missing folders above p, and reports whether p can be there.
func (m model) parents(p string, make bool) bool {
	for i, c := range p {
		if c != '/' {
			continue
		}
		switch n := m[p[:i]]; {
		case n == nil && make:
			m[p[:i]] = &modelNode{kind: tar.TypeDir}
		case n == nil || n.kind != tar.TypeDir:
			return false
		}
	}
	return true
}

// add applies one member and reports whether it must be accepted.
func (m model) add(h *tar.Header, content string) bool {
	p := path.Clean(h.Name)
	if !m.parents(p, true) {
		return false
	}
	n := &modelNode{h.Typeflag, content + h.Linkname}
	if h.Typeflag == tar.TypeLink {
		target := path.Clean(h.Linkname)
		if n = m[target]; !m.parents(target, false) || n == nil || n.kind == tar.TypeDir {
			return false
		}
	}
	old := m[p]
	switch {
	case old == n && old != nil, old != nil && old.kind == tar.TypeDir && n.kind == tar.TypeDir:
		return true
	case old != nil && old.kind == tar.TypeDir && !m.isEmpty(p):
		return false
	}
	m[p] = n
	return true
}

// TestModel restores random members over few names, so that they replace, link and lie below one another.
func TestModel(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("links need rights there")
	}
	base := t.TempDir()
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.StringMatching(`[ab](/[ab]){0,2}`)
		var members []member
		want := model{}
		refused := ""
		for range rapid.IntRange(1, 12).Draw(rt, "members") {
			p, target := name.Draw(rt, "name"), name.Draw(rt, "target")
			text := fmt.Sprint("content ", len(members))
			m := rapid.SampledFrom([]member{file(p, text), file(p, text), dir(p), symlink(p, target), symlink(p, "../"+target), hardlink(p, target)}).Draw(rt, "member")
			members = append(members, m)
			if !want.add(&m.Header, m.content) {
				refused = m.Name
				break
			}
		}
		run++
		target := fmt.Sprint(base, "/", run)
		_, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, members...)), target, volume.ExtractOptions{})
		var r *volume.RefusedError
		switch {
		case refused == "" && err != nil:
			rt.Fatalf("refused: %v", err)
		case refused != "" && (!errors.As(err, &r) || r.Member != refused):
			rt.Fatalf("%q should be refused, got %v", refused, err)
		case refused == "":
			compareModel(rt, want, target)
		}
	})
}

// TestModelOfMany restores many members in one run, so that many are at work at a time.
func TestModelOfMany(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("links need rights there")
	}
	base := t.TempDir()
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
		name := func() string {
			p := string(rune('a' + random.IntN(5)))
			for range random.IntN(4) {
				p += "/" + string(rune('a'+random.IntN(5)))
			}
			return p
		}
		var members []member
		want := model{}
		for i := range 200 {
			p, target := name(), name()
			m := []member{file(p, fmt.Sprint("content ", i)), file(p, ""), file(p, "y"), dir(p), symlink(p, target), hardlink(p, target)}[random.IntN(6)]
			before := maps.Clone(want)
			if !want.add(&m.Header, m.content) {
				want = before
				continue
			}
			members = append(members, m)
		}
		run++
		target := fmt.Sprint(base, "/", run)
		_, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, members...)), target, volume.ExtractOptions{})
		if err != nil {
			rt.Fatal(err)
		}
		compareModel(rt, want, target)
	})
}

func compareModel(t *rapid.T, want model, dir string) {
	found := make(map[string]bool)
	err := fs.WalkDir(os.DirFS(dir), ".", func(p string, e fs.DirEntry, err error) error {
		if p == "." || err != nil {
			return err
		}
		found[p] = true
		n := want[p]
		full := dir + "/" + p
		switch {
		case n == nil:
			t.Fatalf("%s should not be there", p)
		case e.IsDir() != (n.kind == tar.TypeDir) || e.Type() == fs.ModeSymlink != (n.kind == tar.TypeSymlink):
			t.Fatalf("%s is %v, want kind %c", p, e.Type(), n.kind)
		case n.kind == tar.TypeSymlink:
			if target, _ := os.Readlink(full); target != n.text {
				t.Fatalf("%s points to %q, want %q", p, target, n.text)
			}
		case n.kind == tar.TypeReg:
			if content, _ := os.ReadFile(full); string(content) != n.text {
				t.Fatalf("%s holds %q, want %q", p, content, n.text)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	names := slices.Sorted(maps.Keys(want))
	for i, p := range names {
		if !found[p] {
			t.Fatalf("%s is missing", p)
		}
		for _, q := range names[:i] {
			a, _ := os.Lstat(dir + "/" + p)
			b, _ := os.Lstat(dir + "/" + q)
			if os.SameFile(a, b) != (want[p] == want[q]) {
				t.Fatalf("%s and %s: one file: %v", p, q, os.SameFile(a, b))
			}
		}
	}
}
