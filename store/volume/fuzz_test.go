package volume_test

import (
	"archive/tar"
	"bytes"
	"context"
	"os"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// FuzzExtract gives Extract any bytes: nothing outside the target may change, and what was restored
// without an error can be read back and gives the same tree again.
func FuzzExtract(f *testing.F) {
	for _, members := range [][]member{
		{dir("./"), file("./a", "content"), dir("./d"), file("./d/b", ""), symlink("./l", "a"), hardlink("./h", "./a")},
		{symlink("l", "../canary"), file("l/x", "x")},
		{symlink("l", "../canary/file"), hardlink("h", "l"), file("h", "x")},
		{file("../canary/file", "x")},
		{dir("d"), symlink("d", "../canary"), dir("d").mode(0)},
		{hardlink("h", "../canary/file")},
		{file("a", "x").records("SCHILY.xattr.user.x", "y", "SCHILY.acl.access", "user::rw-,user:7:r--,group::r--,mask::r--,other::---")},
		{{tar.Header{Typeflag: tar.TypeFifo, Name: "p"}, ""}, {tar.Header{Typeflag: tar.TypeChar, Name: "c", Devmajor: 1, Devminor: 3}, ""}},
		{{tar.Header{Typeflag: tar.TypeXGlobalHeader, PAXRecords: map[string]string{"path": "../canary/x"}}, ""}, file("a", "x")},
		{file("sparse", "1\n1000000\n0\n").records("XNU.sparse.major", "1", "XNU.sparse.minor", "0", "XNU.sparse.realsize", "1000000")},
	} {
		f.Add(bytes.ReplaceAll(stream(f, members...), []byte("XNU."), []byte("GNU.")))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		fence := newFence(t)
		_, err := volume.Extract(context.Background(), bytes.NewReader(in), fence.target, volume.ExtractOptions{})
		fence.check(t)
		if _, statErr := os.Lstat(fence.target); statErr != nil {
			t.Fatal(statErr)
		}
		if err != nil || os.Geteuid() != 0 { // others may not be allowed to read what they restored
			return
		}
		first, _ := readTree(t, fence.target)
		again, _ := extractInto(t, first, volume.ExtractOptions{})
		if second, _ := readTree(t, again); !bytes.Equal(first, second) {
			t.Error("the restored tree does not survive a round trip")
		}
	})
}
