package volume_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/volume"
	"golang.org/x/sys/unix"
)

// hookSink keeps what Walk finds, and calls do when Walk comes to a member.
type hookSink struct {
	found map[string]string
	puts  map[string]int
	last  string
	find  string // calls do before this member is opened
	put   string // calls do when this member is open and before it is read
	do    func()
}

func (s *hookSink) Find(path string, _ *volume.State) (any, error) {
	if path == s.find {
		s.do()
	}
	return nil, nil
}

func (s *hookSink) TakeOver(any) error { return errors.New("nothing was found") }

func (s *hookSink) Put(path string, _ *volume.State, _ []byte, content io.Reader, size int64) error {
	if path == s.put {
		s.do()
	}
	b, err := io.ReadAll(content)
	if err == nil && int64(len(b)) != size {
		err = io.ErrUnexpectedEOF
	}
	s.found[path], s.last = string(b), path
	s.puts[path]++
	return err
}

func (s *hookSink) Drop() error {
	delete(s.found, s.last)
	return nil
}

func (s *hookSink) walk(t *testing.T, dir string) *volume.ReadReport {
	t.Helper()
	s.found, s.puts = make(map[string]string), make(map[string]int)
	report, err := volume.Walk(context.Background(), dir, s, volume.ReadOptions{})
	must(t, err)
	return report
}

// long is the content of a file that is too large to be read ahead.
var long = strings.Repeat("0123456789", 20_000)

func threeFiles(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"a", "b", "c"} {
		must(t, os.WriteFile(dir+"/"+name, []byte(long), 0o600))
	}
	return dir
}

// TestFilesThatVanish changes what a name stands for after its folder was listed.
func TestFilesThatVanish(t *testing.T) {
	secret := t.TempDir() + "/secret"
	must(t, os.WriteFile(secret, []byte("outside"), 0o600))
	dir := ""
	remove := func(name string) { must(t, os.Remove(dir+"/"+name)) }
	for name, c := range map[string]struct {
		do      func()
		skipped string
	}{
		"vanishes":         {func() { remove("b") }, "b"},
		"becomes a link":   {func() { remove("b"); must(t, os.Symlink(secret, dir+"/b")) }, "b"},
		"becomes a folder": {func() { remove("b"); must(t, os.Mkdir(dir+"/b", 0o700)) }, "b"},
		"becomes a pipe":   {func() { remove("b"); must(t, unix.Mkfifo(dir+"/b", 0o600)) }, "b"},
		"gets a neighbour": {func() { must(t, os.WriteFile(dir+"/b2", nil, 0o600)) }, ""},
	} {
		// Before it is looked at, and between that and its opening.
		for _, at := range []string{"./a", "./b"} {
			t.Run(name+" at "+at, func(t *testing.T) {
				dir = threeFiles(t)
				s := &hookSink{find: at, do: c.do}
				report := s.walk(t, dir)
				if _, ok := s.found["./b"]; ok != (c.skipped == "") {
					t.Errorf("b is in the stream: %v", ok)
				}
				if s.found["./a"] != long || s.found["./c"] != long {
					t.Error("the others are not as they were")
				}
				if first(report.Changed) != "." || first(report.Skipped) != c.skipped {
					t.Errorf("report %+v", report)
				}
			})
		}
	}
}

// TestFilesThatChange changes a file while it is read: once, or each time.
func TestFilesThatChange(t *testing.T) {
	dir := ""
	shorter := long[:1000] + strings.Repeat("\x00", len(long)-1000)
	for name, c := range map[string]struct {
		do     func()
		always string // what is taken if it never holds still
		once   string // what is taken if it does the second time
	}{
		"grows":     {func() { must(t, os.WriteFile(dir+"/b", []byte(long+"abc"), 0)) }, "", long + "abc"},
		"shrinks":   {func() { must(t, os.Truncate(dir+"/b", 1000)) }, shorter, long[:1000]},
		"new times": {func() { must(t, unix.Utimes(dir+"/b", make([]unix.Timeval, 2))) }, long, long},
	} {
		t.Run(name+" once", func(t *testing.T) {
			dir = threeFiles(t)
			done := false
			s := &hookSink{put: "./b", do: func() {
				if !done {
					done = true
					c.do()
				}
			}}
			report := s.walk(t, dir)
			if s.found["./b"] != c.once || s.puts["./b"] != 2 || len(report.Changed) > 0 {
				t.Errorf("%d bytes after %d attempts, report %+v", len(s.found["./b"]), s.puts["./b"], report)
			}
		})
		t.Run(name+" always", func(t *testing.T) {
			dir = threeFiles(t)
			s := &hookSink{put: "./b", do: func() {
				if c.always != "" {
					must(t, os.WriteFile(dir+"/b", []byte(long), 0))
				}
				c.do()
				must(t, unix.Utimes(dir+"/b", []unix.Timeval{{Sec: rand.Int64N(1 << 30)}, {Sec: rand.Int64N(1 << 30)}}))
			}}
			report := s.walk(t, dir)
			if s.puts["./b"] != 3 || first(report.Changed) != "b" || report.Members != 4 {
				t.Errorf("%d attempts, report %+v", s.puts["./b"], report)
			}
		})
	}
}

// TestSmallFilesAreReadAhead checks that what is read ahead is what is delivered.
func TestSmallFilesAreReadAhead(t *testing.T) {
	dir := t.TempDir()
	for i := range 1000 {
		must(t, os.WriteFile(fmt.Sprintf("%s/%03d", dir, i), []byte(strconv.Itoa(i)), 0o600))
	}
	s := &hookSink{}
	report := s.walk(t, dir)
	for i := range 1000 {
		if got := s.found[fmt.Sprintf("./%03d", i)]; got != strconv.Itoa(i) {
			t.Errorf("%d: %q", i, got)
		}
	}
	if report.Members != 1001 {
		t.Errorf("%+v", report)
	}
}

// keepingSink keeps the states that it is asked about.
type keepingSink struct {
	hookSink
	states map[string]*volume.State
}

func (s *keepingSink) Find(path string, state *volume.State) (any, error) {
	s.states[path] = state
	return nil, nil
}

// TestStatesCanBeKept keeps the states of more files than are handed on together.
func TestStatesCanBeKept(t *testing.T) {
	dir := t.TempDir()
	for i := range 500 {
		must(t, os.WriteFile(fmt.Sprintf("%s/%03d", dir, i), make([]byte, i), 0o600))
	}
	s := &keepingSink{hookSink{found: make(map[string]string), puts: make(map[string]int)}, make(map[string]*volume.State)}
	_, err := volume.Walk(context.Background(), dir, s, volume.ReadOptions{})
	must(t, err)
	for i := range 500 {
		if state := s.states[fmt.Sprintf("./%03d", i)]; state == nil || state.Size != int64(i) {
			t.Errorf("%d: %+v", i, state)
		}
	}
}

// TestNoFileStaysOpen has the sink fail at each member in turn.
func TestNoFileStaysOpen(t *testing.T) {
	dir := threeFiles(t)
	for i := range 200 {
		must(t, os.WriteFile(fmt.Sprintf("%s/d%03d", dir, i), []byte("x"), 0o600))
	}
	before := openFiles(t)
	for _, at := range []string{"./", "./a", "./b", "./d000", "./d150"} {
		failed := errors.New("the sink")
		_, err := volume.Walk(context.Background(), dir, failingSink{at, failed}, volume.ReadOptions{})
		if !errors.Is(err, failed) {
			t.Errorf("%s: %v", at, err)
		}
	}
	if after := openFiles(t); after != before {
		t.Errorf("%d files are open, %d were before", after, before)
	}
}

func openFiles(t *testing.T) int {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	must(t, err)
	return len(entries)
}

type failingSink struct {
	at  string
	err error
}

func (s failingSink) Find(string, *volume.State) (any, error) { return nil, nil }
func (s failingSink) TakeOver(any) error                      { return nil }
func (s failingSink) Drop() error                             { return nil }

func (s failingSink) Put(path string, _ *volume.State, _ []byte, content io.Reader, _ int64) error {
	if path == s.at {
		return s.err
	}
	_, err := io.Copy(io.Discard, content)
	return err
}

// TestFolderBecomesALink swaps a folder for a link to another after it was listed. So many files come
// before it that it can't have been opened by then.
func TestFolderBecomesALink(t *testing.T) {
	secret := t.TempDir()
	must(t, os.WriteFile(secret+"/file", []byte("outside"), 0o600))
	dir := threeFiles(t)
	must(t, os.Mkdir(dir+"/d", 0o700))
	for i := range 3000 {
		must(t, os.WriteFile(fmt.Sprintf("%s/b%04d", dir, i), nil, 0o600))
	}
	s := &hookSink{find: "./a", do: func() { must(t, os.Remove(dir+"/d"), os.Symlink(secret, dir+"/d")) }}
	report := s.walk(t, dir)
	if _, ok := s.found["./d/file"]; ok || first(report.Skipped) != "d" {
		t.Errorf("report %+v", report)
	}
}

func TestUnreadable(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root reads everything")
	}
	for _, name := range []string{"b", "d"} {
		dir := threeFiles(t)
		must(t, os.Mkdir(dir+"/d", 0o700), os.Chmod(dir+"/"+name, 0))
		t.Cleanup(func() { os.Chmod(dir+"/"+name, 0o700) })
		_, err := volume.WriteTar(context.Background(), io.Discard, dir, volume.ReadOptions{})
		var path *os.PathError
		if !errors.Is(err, os.ErrPermission) || !errors.As(err, &path) || path.Path != dir+"/"+name {
			t.Errorf("got %v", err)
		}
	}
}

func TestMountPoints(t *testing.T) {
	needRoot(t)
	dir := threeFiles(t)
	mountTmpfs(t, dir+"/mounted", "size=1m")
	must(t, os.WriteFile(dir+"/mounted/inside", nil, 0o600))
	for _, cross := range []bool{false, true} {
		var out bytes.Buffer
		report, err := volume.WriteTar(context.Background(), &out, dir, volume.ReadOptions{CrossMounts: cross})
		must(t, err)
		listing := tool(t, out.Bytes(), "tar", "-tf", "-")
		if got := bytes.Contains(listing, []byte("./mounted/inside\n")); got != cross {
			t.Errorf("CrossMounts %v: %s", cross, listing)
		}
		if !bytes.Contains(listing, []byte("./mounted/\n")) || (first(report.Skipped) == "mounted") == cross {
			t.Errorf("CrossMounts %v: %s %+v", cross, listing, report)
		}
	}
}

func mountTmpfs(t *testing.T, dir, options string) {
	t.Helper()
	must(t, os.Mkdir(dir, 0o755))
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		missing(t, "a mount: "+err.Error())
	}
	t.Cleanup(func() { must(t, unix.Unmount(dir, 0)) })
}

// TestFullTarget restores into a file system that fills up. Which of several small members doesn't fit
// is open.
func TestFullTarget(t *testing.T) {
	needRoot(t)
	for name, last := range map[string]member{
		"content": file("too-large", string(bytes.Repeat([]byte("x"), 2<<20))),
		"folders": dir("one-too-many"),
	} {
		t.Run(name, func(t *testing.T) {
			full := t.TempDir() + "/full"
			mountTmpfs(t, full, "size=1m,nr_inodes=5") // root, target, small, one more
			members := []member{file("small", "fits"), last}
			if name == "folders" {
				members = []member{file("small", "fits"), dir("a"), dir("b"), last}
			}
			_, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, members...)), full+"/target", volume.ExtractOptions{Sync: true})
			// Which member meets the full disk depends on the workers.
			if !errors.Is(err, unix.ENOSPC) || !strings.HasPrefix(err.Error(), "restoring member ") {
				t.Fatalf("got %v", err)
			}
			if _, err := os.Lstat(full + "/target/too-large"); err == nil {
				t.Error("half a file was left")
			}
		})
	}
}
