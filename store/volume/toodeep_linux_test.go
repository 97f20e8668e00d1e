package volume

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestTooDeep leaves out, and names, what lies too deep or has too long a path, and reads all else.
func TestTooDeep(t *testing.T) {
	dir := t.TempDir()
	for _, path := range []string{"a/b/c/d/e/f", "long/" + strings.Repeat("n", 200) + "/x", "z"} {
		if err := os.MkdirAll(filepath.Join(dir, path), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		o       ReadOptions
		left    string // "": nothing
		members int    // the folder itself included
	}{
		"all":      {ReadOptions{}, "", 11},
		"too deep": {ReadOptions{maxDepth: 3}, "a/b/c/d", 9},
		"too long": {ReadOptions{maxName: 100}, "long/" + strings.Repeat("n", 200), 9},
	} {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			report, err := WriteTar(context.Background(), &out, dir, c.o)
			if err != nil {
				t.Fatal(err)
			}
			var left []string
			for _, n := range report.Skipped {
				left = append(left, n.Path)
			}
			if c.left == "" && left != nil || c.left != "" && !slices.Equal(left, []string{c.left}) || report.Members != c.members {
				t.Errorf("%d members, left out: %.300q", report.Members, left)
			}
		})
	}
}

// TestHeaderTooLong leaves out what fits no header: attributes first.
func TestHeaderTooLong(t *testing.T) {
	m, s := &meta{perm: 0o600}, &State{}
	long := strings.Repeat("n", maxName-1)
	head, left, err := headerOf(m, s, '0', "./"+long, "", map[string]string{"user.lot": strings.Repeat("x", 900<<10)})
	if err != nil || len(head) == 0 || !slices.Equal(left, []string{"user.lot"}) {
		t.Errorf("a header of %d bytes without %q: %v", len(head), left, err)
	}
	if head, _, err := headerOf(m, s, '1', "./"+long, "./"+long, nil); err != nil || len(head) == 0 {
		t.Errorf("two long names: %v", err)
	}
	if _, _, err := headerOf(m, s, '2', "./"+long, strings.Repeat(long, 2), nil); err != errLong || passedOver(err) == "" {
		t.Errorf("three long names: %v", err)
	}
}

// TestMovedDeepFolder notices that another folder came in the place of a deep one that was closed.
func TestMovedDeepFolder(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, strings.Repeat("d/", 2*maxOpen)), 0o755); err != nil {
		t.Fatal(err)
	}
	f, err := openDoor(dir)
	if err != nil {
		t.Fatal(err)
	}
	var deep deepFolders
	all := []*sharedFolder{share(f)}
	for range 2 * maxOpen {
		c, err := pinned(all[len(all)-1], func(f *folder) (*folder, error) { return f.child("d") })
		if err != nil {
			t.Fatal(err)
		}
		d, err := deep.add(all[len(all)-1], "d", c)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, d)
	}
	if n := len(deep.open); n > maxOpen {
		t.Errorf("%d folders are open", n)
	}
	if _, err := all[1].pin(); err != nil {
		t.Errorf("a folder that was closed: %v", err)
	}
	all[1].unpin()
	third := filepath.Join(dir, "d", "d", "d")
	if err := os.Rename(third, filepath.Join(dir, "away")); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(third, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, d := range all[4:] { // those open by now are the last ones
		if f, err := d.pin(); err == nil {
			if m, err := f.stat("."); err != nil || d.id != (inode{m.dev, m.ino}) {
				t.Fatalf("another folder was opened, %v", err)
			}
			d.unpin()
		} else if err != errGone {
			t.Fatal(err)
		}
	}
	if _, err := all[3].pin(); err != errGone {
		t.Errorf("what is not there any more: %v", err)
	}
	for _, d := range slices.Backward(all) {
		d.release()
	}
	if len(deep.open) > 0 {
		t.Errorf("%d folders stay open", len(deep.open))
	}
}
