package volume_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// manyMembers has folders with many small files each.
func manyMembers(change func(i int, m member) member) (members []member) {
	for i := range 50 {
		members = append(members, dir(fmt.Sprint("d", i)))
		for j := range 40 {
			members = append(members, change(i*40+j, file(fmt.Sprintf("d%d/f%d", i, j), strings.Repeat("x", j*100))))
		}
	}
	return members
}

// TestReportInOrder has members with attributes that no file system has.
func TestReportInOrder(t *testing.T) {
	var want []string
	lost := func(i int, m member) member {
		if i%3 == 0 {
			want = append(want, m.Name)
			return m.records("SCHILY.acl.ace", fmt.Sprint(i), "SCHILY.acl.access", fmt.Sprint("nonsense ", i))
		}
		return m
	}
	s := stream(t, manyMembers(lost)...)
	target := t.TempDir() + "/target"
	calls := 0
	r, err := volume.Extract(context.Background(), bytes.NewReader(s), target, volume.ExtractOptions{OnEntry: func(string, int64) { calls++ }})
	must(t, err)
	if r.Members != 50+2000 || calls != r.Members || r.Bytes != 50*100*39*40/2 {
		t.Errorf("%d members, %d calls, %d bytes", r.Members, calls, r.Bytes)
	}
	if len(r.NotRestored) != 2 || r.NotRestored[0].Path != want[0] || r.NotRestored[0].Members != len(want) {
		t.Errorf("report %+v", r.NotRestored)
	}
	// One reason each: what fails in the worker comes in the order of the stream too.
	each := func(i int, m member) member { return m.records(fmt.Sprintf("SCHILY.xattr.nonsense.%d", i%500), "x") }
	r, err = volume.Extract(context.Background(), bytes.NewReader(stream(t, manyMembers(each)...)), target+"2", volume.ExtractOptions{})
	must(t, err)
	for i, n := range r.NotRestored {
		if !strings.Contains(n.Reason, fmt.Sprintf("%q", fmt.Sprintf("nonsense.%d", i))) || n.Members != 4 {
			t.Fatalf("note %d is %+v", i, n)
		}
	}
}

// TestFirstErrorCounts has a member that is refused among many, and faults after it.
func TestFirstErrorCounts(t *testing.T) {
	members := manyMembers(func(_ int, m member) member { return m })
	at := slices.IndexFunc(members, func(m member) bool { return m.Name == "d20/f7" })
	members[at] = file("d3", "in the place of a folder with members")
	members[at+5] = file("d4", "the same")
	s := stream(t, members...)
	broken := errors.New("the share is gone")
	for name, stream := range map[string][]byte{"whole": s, "cut": s[:len(s)-100_000]} {
		_, err := volume.Extract(context.Background(), &failingReader{bytes.NewReader(stream), broken}, t.TempDir()+"/target", volume.ExtractOptions{})
		var refused *volume.RefusedError
		if !errors.As(err, &refused) || refused.Member != "d3" {
			t.Errorf("%s: %v", name, err)
		}
	}
	// The error of the stream counts where it comes first.
	_, err := volume.Extract(context.Background(), &failingReader{bytes.NewReader(s[:100_000]), broken}, t.TempDir()+"/target", volume.ExtractOptions{})
	if !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
}

// failingReader fails at the end of r.
type failingReader struct {
	r   *bytes.Reader
	err error
}

func (f *failingReader) Read(p []byte) (int, error) {
	if f.r.Len() == 0 {
		return 0, f.err
	}
	return f.r.Read(p)
}

// TestExtractCancelled ends the context at a member in the middle.
func TestExtractCancelled(t *testing.T) {
	s := stream(t, manyMembers(func(_ int, m member) member { return m })...)
	for _, at := range []string{"d0", "d0/f0", "d20/f7", "d49/f39"} {
		ctx, cancel := context.WithCancel(context.Background())
		r, err := volume.Extract(ctx, bytes.NewReader(s), t.TempDir()+"/target", volume.ExtractOptions{OnEntry: func(path string, _ int64) {
			if path == at {
				cancel()
			}
		}})
		if !errors.Is(err, context.Canceled) || r.Members > 2050 {
			t.Errorf("%s: %d members, %v", at, r.Members, err)
		}
	}
}
