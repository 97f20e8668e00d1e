package remember

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"testing"

	"github.com/kistarchive/kist/crypt"
)

var repository = crypt.RepositoryID{1, 2, 3}

// open opens the memory of a repository, as another process does.
func open(t testing.TB, folder string) *Memory {
	t.Helper()
	m, err := Open(folder, repository, "")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// id gives the id of a capture; they sort by n.
func id(n int) string { return fmt.Sprintf("20260314t%04dz-k7f3", n) }

func made(n int) Capture { return Capture{id(n), crypt.Digest{byte(n), byte(n >> 8)}, Made} }
func seen(n int) Capture { return Capture{id(n), crypt.Digest{byte(n), byte(n >> 8)}, Seen} }
func gone(n int) Capture { return Capture{id(n), crypt.Digest{byte(n), byte(n >> 8)}, Gone} }

func note(t testing.TB, m *Memory, captures ...Capture) {
	t.Helper()
	if err := m.Note(captures...); err != nil {
		t.Fatal(err)
	}
}

// expect compares what a memory knows.
func expect(t testing.TB, m *Memory, last Capture, want ...Capture) {
	t.Helper()
	if got := m.Captures(); len(got)+len(want) > 0 && !reflect.DeepEqual(got, want) {
		t.Errorf("known: %v, want %v", got, want)
	}
	if got, _ := m.Last(); got != last {
		t.Errorf("made last: %v, want %v", got, last)
	}
}

// TestRemember notes things in one process and finds them in the next one.
func TestRemember(t *testing.T) {
	for name, c := range map[string]struct {
		notes []Capture
		last  Capture
		want  []Capture
	}{
		"nothing":               {},
		"one made":              {[]Capture{made(1)}, made(1), []Capture{made(1)}},
		"one seen":              {[]Capture{seen(1)}, Capture{}, []Capture{seen(1)}},
		"made, then seen":       {[]Capture{made(1), seen(1)}, made(1), []Capture{made(1)}},
		"seen, then made":       {[]Capture{seen(1), made(1)}, made(1), []Capture{made(1)}},
		"made last":             {[]Capture{made(5), made(2), seen(9)}, made(2), []Capture{made(2), made(5), seen(9)}},
		"gone":                  {[]Capture{made(1), made(2), gone(2)}, made(2), []Capture{made(1), gone(2)}},
		"gone, and there again": {[]Capture{seen(1), gone(1), seen(1)}, Capture{}, []Capture{seen(1)}},
		"of another hash":       {[]Capture{made(1), {id(1), crypt.Digest{9}, Seen}}, Capture{}, []Capture{{id(1), crypt.Digest{9}, Seen}}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "state", "kist")
			m, alone := open(t, dir), New()
			for _, n := range c.notes {
				note(t, m, n)
				note(t, alone, n)
			}
			expect(t, m, c.last, c.want...)
			expect(t, alone, c.last, c.want...)
			expect(t, open(t, dir), c.last, c.want...)
		})
	}
}

func TestRootAndSlot(t *testing.T) {
	dir := t.TempDir()
	m := open(t, dir)
	if _, ok := m.Root(); ok || m.Slot() != "" {
		t.Error("something is known")
	}
	root, slot := crypt.Digest{7}, crypt.SlotID("9243c59f3ec7dce5")
	for range 3 {
		if err := errors.Join(m.SetRoot(root), m.SetSlot(slot), m.Note(made(1))); err != nil {
			t.Fatal(err)
		}
	}
	m = open(t, dir)
	if got, ok := m.Root(); !ok || got != root || m.Slot() != slot {
		t.Errorf("%v, %v, %v", got, ok, m.Slot())
	}
	b, err := os.ReadFile(m.path)
	if n := strings.Count(string(b), "\n"); err != nil || n != 3 {
		t.Errorf("%d lines, %v", n, err)
	}
	// All is forgotten with another root key.
	if err := m.SetRoot(crypt.Digest{8}); err != nil {
		t.Fatal(err)
	}
	m = open(t, dir)
	expect(t, m, Capture{})
	if got, _ := m.Root(); got != (crypt.Digest{8}) || m.Slot() != "" {
		t.Errorf("%v, %v", got, m.Slot())
	}
}

// TestHarmedFiles has files that are not as they were written.
func TestHarmedFiles(t *testing.T) {
	whole := func(t *testing.T) []byte {
		dir := t.TempDir()
		m := open(t, dir)
		note(t, m, seen(1))
		note(t, m, made(2))
		b, err := os.ReadFile(m.path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for name, c := range map[string]struct {
		change func([]byte) []byte
		want   int // captures known; -1: the file is refused
	}{
		"whole":                  {func(b []byte) []byte { return b }, 2},
		"empty":                  {func([]byte) []byte { return nil }, 0},
		"torn":                   {func(b []byte) []byte { return b[:len(b)-5] }, 1},
		"torn in its first":      {func(b []byte) []byte { return b[:20] }, 0},
		"torn in its first word": {func(b []byte) []byte { return b[:3] }, 0},
		"no line feed at last":   {func(b []byte) []byte { return b[:len(b)-1] }, 2},
		"a bit flipped":          {func(b []byte) []byte { b[30] ^= 1; return b }, 1},
		"zeros behind":           {func(b []byte) []byte { return append(b, make([]byte, 1000)...) }, 2},
		"a later release":        {func(b []byte) []byte { return append(b, sealLine(repository.String(), "slots 4 7")...) }, 2},
		"of another repository":  {func(b []byte) []byte { return []byte(sealLine("another", captureLine(seen(1)))) }, 0},
		"foreign":                {func([]byte) []byte { return []byte("-- a dump of the catalogue\n") }, -1},
		"foreign, binary":        {func([]byte) []byte { return []byte{0x7f, 'E', 'L', 'F', 0, 0} }, -1},
		"too long":               {func(b []byte) []byte { return append(b, make([]byte, maxFile)...) }, -1},
	} {
		t.Run(name, func(t *testing.T) {
			dir, b := t.TempDir(), c.change(whole(t))
			path := filepath.Join(dir, repository.String()+".known")
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
			m, err := Open(dir, repository, "")
			if (err != nil) != (c.want < 0) || len(m.Captures()) != max(c.want, 0) {
				t.Fatalf("known: %v, %v", m.Captures(), err)
			}
			note(t, m, made(9)) // it goes on
			if _, ok := m.Find(id(9)); !ok {
				t.Error("what was noted is not known")
			}
			after, err := os.ReadFile(path)
			if c.want < 0 {
				if err != nil || string(after) != string(b) {
					t.Error("a file that is refused was changed")
				}
				return
			}
			if got := len(open(t, dir).Captures()); got != c.want+1 {
				t.Errorf("%d are known, want %d", got, c.want+1)
			}
		})
	}
}

// TestFolders refuses what others can write, and what is no folder.
func TestFolders(t *testing.T) {
	for name, c := range map[string]struct {
		make func(t *testing.T, dir string) error
		unix bool
	}{
		"others can write":          {func(_ *testing.T, dir string) error { return os.Chmod(dir, 0o707) }, true},
		"the group can write":       {func(_ *testing.T, dir string) error { return os.Chmod(dir, 0o770) }, true},
		"others can write the file": {func(_ *testing.T, dir string) error { return writable(dir) }, true},
		"a folder as the file":      {func(_ *testing.T, dir string) error { return os.Mkdir(file(dir), 0o700) }, false},
		"a link as the file":        {func(_ *testing.T, dir string) error { return os.Symlink("/dev/zero", file(dir)) }, true},
		"a file as the folder": {func(_ *testing.T, dir string) error {
			return errors.Join(os.Remove(dir), os.WriteFile(dir, nil, 0o600))
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			if c.unix && runtime.GOOS == "windows" {
				t.Skip("modes don't tell here")
			}
			dir := filepath.Join(t.TempDir(), "kist")
			if err := errors.Join(os.Mkdir(dir, 0o700), c.make(t, dir)); err != nil {
				t.Fatal(err)
			}
			m, err := Open(dir, repository, "")
			if err == nil {
				t.Fatal("it was used")
			}
			note(t, m, made(1))
			expect(t, m, made(1), made(1))
		})
	}
}

func file(dir string) string { return filepath.Join(dir, repository.String()+".known") }

func writable(dir string) error {
	return errors.Join(os.WriteFile(file(dir), nil, 0o600), os.Chmod(file(dir), 0o666))
}

// TestModes has folder and file for their owner alone.
func TestModes(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("modes don't tell here")
	}
	dir := filepath.Join(t.TempDir(), "a", "b")
	m := open(t, dir)
	for i := range 3 * compactFrom {
		note(t, m, []Capture{seen(1), gone(1)}[i%2]) // and compacted
	}
	for path, want := range map[string]os.FileMode{dir: 0o700, m.path: 0o600} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: %v, %v", path, info.Mode(), err)
		}
	}
}

// TestCompacting has many lines about few captures, and some of a later release.
func TestCompacting(t *testing.T) {
	dir := t.TempDir()
	m := open(t, dir)
	if err := errors.Join(m.SetRoot(crypt.Digest{7}), m.SetSlot("9243c59f3ec7dce5")); err != nil {
		t.Fatal(err)
	}
	note(t, m, made(5), made(2))
	f, err := os.OpenFile(m.path, os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteString(sealLine(m.key, "later 1 2 3"))
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	longest := int64(0)
	for i := range 5 * compactFrom {
		note(t, m, []Capture{seen(1), gone(1)}[i%2])
		info, err := os.Stat(m.path)
		if err != nil {
			t.Fatal(err)
		}
		longest = max(longest, info.Size())
	}
	if most := int64(100 * (compactFrom + 20)); longest > most {
		t.Errorf("the file came to %d bytes, at most %d are expected", longest, most)
	}
	again := open(t, dir)
	expect(t, again, made(2), gone(1), made(2), made(5))
	if root, _ := again.Root(); root != (crypt.Digest{7}) || again.Slot() != "9243c59f3ec7dce5" {
		t.Errorf("%v, %v", root, again.Slot())
	}
	if !reflect.DeepEqual(again.known.other, []string{"later 1 2 3"}) {
		t.Errorf("other lines: %q", again.known.other)
	}
	if left, err := filepath.Glob(filepath.Join(dir, ".new-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestBound knows no more than MaxCaptures, about: those removed go first, then the oldest.
func TestBound(t *testing.T) {
	dir := t.TempDir()
	m := open(t, dir)
	var all []Capture
	for i := range MaxCaptures + MaxCaptures/2 {
		c := Capture{fmt.Sprintf("%08dt0000z-aaaa", 10_000_000+i), crypt.Digest{1}, Seen}
		if i%100 == 0 {
			c.Kind = Gone
		}
		all = append(all, c)
	}
	for rest := all; len(rest) > 0; {
		n := min(len(rest), 5000)
		note(t, m, rest[:n]...)
		rest = rest[n:]
	}
	m = open(t, dir)
	if n := len(m.Captures()); n < MaxCaptures || n > MaxCaptures+MaxCaptures/8 {
		t.Errorf("%d are known", n)
	}
	if _, ok := m.Find(all[len(all)-1].ID); !ok {
		t.Error("the newest is forgotten")
	}
	if _, ok := m.Find(all[1].ID); ok {
		t.Error("the oldest is known")
	}
	before, err := os.Stat(m.path)
	if err != nil || before.Size() > maxFile {
		t.Fatal(before, err)
	}
	note(t, m, all[:500]...) // nothing that would be forgotten at once is written again
	if after, err := os.Stat(m.path); err != nil || after.Size() > before.Size()+2000 {
		t.Errorf("%d bytes, it had %d, %v", after.Size(), before.Size(), err)
	}
}

// TestAtOnce has several memories of one file note at the same time, and compact it.
func TestAtOnce(t *testing.T) {
	dir := t.TempDir()
	var all sync.WaitGroup
	const writers, each = 4, 150
	for w := range writers {
		all.Go(func() {
			m := open(t, dir)
			for i := range each {
				if err := m.Note(made(w*each + i)); err != nil {
					t.Error(err)
				}
				for range 3 { // lines that are of no use
					if err := errors.Join(m.Note(seen(9000+w)), m.Note(gone(9000+w))); err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	all.Wait()
	m := open(t, dir)
	for i := range writers * each {
		if c, _ := m.Find(id(i)); c != made(i) {
			t.Errorf("%d is known as %v", i, c)
		}
	}
}

// TestProcessesAtOnce is the same with processes.
func TestProcessesAtOnce(t *testing.T) {
	const writers, each = 3, 100
	if dir := os.Getenv("KIST_TEST_REMEMBER"); dir != "" {
		var w int
		if _, err := fmt.Sscan(os.Getenv("KIST_TEST_WRITER"), &w); err != nil {
			t.Fatal(err)
		}
		m := open(t, dir)
		for i := range each {
			note(t, m, made(w*each+i))
			note(t, m, seen(9000+w))
			note(t, m, gone(9000+w))
			note(t, m, seen(9000+w))
		}
		return
	}
	dir := t.TempDir()
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			c := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestProcessesAtOnce$")
			c.Env = append(os.Environ(), "KIST_TEST_REMEMBER="+dir, fmt.Sprint("KIST_TEST_WRITER=", w))
			if out, err := c.CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
	}
	all.Wait()
	m := open(t, dir)
	for i := range writers * each {
		if c, _ := m.Find(id(i)); c != made(i) {
			t.Errorf("%d is known as %v", i, c)
		}
	}
}

// TestOtherProcess learns what another process noted meanwhile.
func TestOtherProcess(t *testing.T) {
	dir := t.TempDir()
	one, two := open(t, dir), open(t, dir)
	note(t, one, made(1))
	if last, _ := two.Last(); last != made(1) {
		t.Errorf("made last: %v", last)
	}
	note(t, two, made(2))
	if last, _ := one.Last(); last != made(2) {
		t.Errorf("made last: %v", last)
	}
	if err := os.Remove(one.path); err != nil { // somebody tidies up
		t.Fatal(err)
	}
	note(t, one, made(3))
	expect(t, one, made(3), made(1), made(2), made(3))
}

// FuzzParse reads any file. What it says is said again by the text that compacting writes.
func FuzzParse(f *testing.F) {
	key := repository.String()
	var whole []byte
	for _, line := range []string{
		rootLine(crypt.Digest{7}), slotLine("9243c59f3ec7dce5"), captureLine(seen(1)), captureLine(made(2)),
		captureLine(made(1)), captureLine(gone(1)), "later 1 2", "made x y", "root x", "",
	} {
		whole = append(whole, sealLine(key, line)...)
	}
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Add([]byte("-- a dump\n"))
	f.Add([]byte("made \n\x00root"))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := parse(key, b)
		if err != nil {
			return
		}
		again, err := parse(key, c.text(key))
		if err != nil {
			t.Fatalf("%q: %v", c.text(key), err)
		}
		c.lines, again.lines = 0, 0
		if fmt.Sprint(c) != fmt.Sprint(again) {
			t.Fatalf("%v\nis said as\n%v", c, again)
		}
	})
}
