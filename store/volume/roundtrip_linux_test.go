package volume_test

import (
	"bytes"
	"context"
	"os"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/volume"
	"golang.org/x/sys/unix"
)

// everything allows what the rich tree needs.
func everything() volume.ExtractOptions { return volume.ExtractOptions{Devices: true} }

// same fails the test unless rsync and the attribute tools see no difference between two trees,
// sockets apart.
func same(t *testing.T, want, got string) {
	t.Helper()
	args := []string{"-naHAX", "--checksum", "--delete", "-i", "--modify-window=-1", "--exclude=/socket"}
	if out := tool(t, nil, "rsync", append(args, want+"/", got+"/")...); len(out) > 0 {
		t.Errorf("rsync sees differences:\n%s", out)
	}
	for _, command := range []string{"getfacl -R -n -s .", "getfattr -R -h -d -m - -e hex ."} {
		in := func(dir string) string {
			return string(tool(t, nil, "sh", "-c", `cd "$0" && `+command, dir))
		}
		if a, b := in(want), in(got); a != b {
			t.Errorf("%s differs:\n%s\nand\n%s", command, a, b)
		}
	}
}

// compareTar fails the test unless GNU tar finds stream to be what is in dir.
func compareTar(t *testing.T, stream []byte, dir string) {
	t.Helper()
	out, stderr := toolQuiet(t, stream, "tar", "--compare", "--xattrs", "--acls", "-f", "-", "-C", dir)
	for line := range strings.Lines(stderr) {
		// POSIX demands the record for names that are not UTF-8; GNU tar 1.34 doesn't know it and
		// needs none.
		if !strings.Contains(line, "keyword 'hdrcharset'") {
			t.Errorf("tar --compare said: %s", line)
		}
	}
	if len(out) > 0 {
		t.Errorf("tar --compare sees differences:\n%s", out)
	}
}

func TestRoundTrip(t *testing.T) {
	src := richTree(t)
	stream, report := readTree(t, src)
	compareTar(t, stream, src)
	if len(report.Skipped) != 1 || report.Skipped[0].Path != "socket" || len(report.Changed) != 0 {
		t.Errorf("notes: %+v", report)
	}
	listing := tool(t, stream, "bsdtar", "-tvf", "-")
	if n := bytes.Count(listing, []byte("\n")); n != report.Members {
		t.Errorf("bsdtar lists %d members, the report says %d", n, report.Members)
	}

	got, restored := extractInto(t, stream, everything())
	if restored.Members != report.Members {
		t.Errorf("%d members restored of %d", restored.Members, report.Members)
	}
	for _, n := range restored.NotRestored {
		t.Errorf("not restored: %+v", n)
	}
	compareTar(t, stream, got)
	same(t, src, got)
	again, _ := readTree(t, got)
	if !bytes.Equal(stream, again) {
		t.Error("the restored tree gives another stream")
	}
}

// TestOthersRestore lets the reference tools restore our stream.
func TestOthersRestore(t *testing.T) {
	needRoot(t)
	src := plainTree(t)
	stream, _ := readTree(t, src)
	for name, command := range map[string][]string{
		"GNU tar": {"tar", "--xattrs", "--xattrs-include=*", "--acls", "--numeric-owner", "-xpf", "-", "-C"},
		"bsdtar":  {"bsdtar", "--xattrs", "--acls", "--numeric-owner", "-xpf", "-", "-C"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			toolQuiet(t, stream, command[0], append(command[1:], dir)...)
			// libarchive 3.6.2 gives the folder that it unpacks into no time of its own.
			at := unix.Timespec{Sec: 1}
			for _, top := range []string{src, dir} {
				must(t, unix.UtimesNanoAt(unix.AT_FDCWD, top, []unix.Timespec{at, at}, 0))
			}
			same(t, src, dir)
		})
	}
}

func TestExtractOthersStreams(t *testing.T) {
	src := plainTree(t)
	for name, command := range map[string][]string{
		"GNU tar pax":        {"tar", "--format=pax", "--xattrs", "--xattrs-include=*", "--acls"},
		"GNU tar sparse":     {"tar", "--format=pax", "--xattrs", "--xattrs-include=*", "--acls", "--sparse"},
		"GNU tar sparse 0.0": {"tar", "--format=pax", "--xattrs", "--xattrs-include=*", "--acls", "--sparse", "--sparse-version=0.0"},
		"bsdtar pax":         {"bsdtar", "--format=pax", "--xattrs", "--acls"},
	} {
		t.Run(name, func(t *testing.T) {
			args := append(command[1:], "-C", src, "-cf", "-", "--exclude=./socket", ".")
			stream, _ := toolQuiet(t, nil, command[0], args...)
			got, report := extractInto(t, stream, everything())
			for _, n := range report.NotRestored {
				t.Errorf("not restored: %+v", n)
			}
			same(t, src, got)
		})
	}
}

// TestExtractGNUFormat has what the older GNU format can carry: no attributes, times in seconds.
func TestExtractGNUFormat(t *testing.T) {
	src := plainTree(t)
	stream, _ := toolQuiet(t, nil, "tar", "--format=gnu", "--sparse", "-C", src, "-cf", "-", "--exclude=./socket", ".")
	got, _ := extractInto(t, stream, everything())
	out := tool(t, nil, "rsync", "-naH", "--checksum", "--delete", "-i", "--exclude=/socket", "--exclude=/attrs", src+"/", got+"/")
	if len(out) > 0 {
		t.Errorf("rsync sees differences:\n%s", out)
	}
}

// TestInheritedACL restores into a folder whose default ACL would add to what the stream says.
func TestInheritedACL(t *testing.T) {
	target := t.TempDir()
	tool(t, nil, "setfacl", "-d", "-m", "u:4711:rwx", target)
	_, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, dir("./"), dir("./d"), file("./d/f", "x"))), target, volume.ExtractOptions{})
	must(t, err)
	if out := tool(t, nil, "getfacl", "-R", "-s", target); len(out) > 0 {
		t.Errorf("ACLs were inherited:\n%s", out)
	}
	above := t.TempDir()
	tool(t, nil, "setfacl", "-d", "-m", "u:4711:rwx", above)
	_, err = volume.Extract(context.Background(), bytes.NewReader(stream(t, dir("./"))), above+"/new", volume.ExtractOptions{})
	must(t, err)
	if out := tool(t, nil, "getfacl", "-s", above+"/new"); len(out) > 0 {
		t.Errorf("the new folder inherited:\n%s", out)
	}
}

func TestSameBytesTwice(t *testing.T) {
	src := richTree(t)
	first, _ := readTree(t, src)
	// Reading, and touching access times, must not show.
	ts := unix.Timespec{Sec: 12345}
	must(t, unix.UtimesNanoAt(unix.AT_FDCWD, src+"/catalogue/empty",
		[]unix.Timespec{ts, {Nsec: unix.UTIME_OMIT}}, 0))
	second, _ := readTree(t, src)
	if !bytes.Equal(first, second) {
		t.Fatal("two runs over one tree differ")
	}
}

func TestHoles(t *testing.T) {
	dir := t.TempDir()
	tree{t, dir}.sparse("sparse.db")
	must(t, os.WriteFile(dir+"/zeros", make([]byte, 1<<20), 0o600))
	stream, _ := readTree(t, dir)
	blocks := func(path string) int64 { return allocated(t, path) }
	for _, write := range []bool{false, true} {
		got, _ := extractInto(t, stream, volume.ExtractOptions{WriteZeros: write})
		if out := tool(t, nil, "diff", "-r", dir, got); len(out) > 0 {
			t.Errorf("contents differ: %s", out)
		}
		if n := blocks(got + "/sparse.db"); (n > 1<<20) != write {
			t.Errorf("WriteZeros %v: sparse.db takes %d bytes", write, n)
		}
		if n := blocks(got + "/zeros"); (n >= 1<<20) != write {
			t.Errorf("WriteZeros %v: zeros takes %d bytes", write, n)
		}
	}
}

// allocated is what a file takes on the disk, in bytes.
func allocated(t *testing.T, path string) int64 {
	t.Helper()
	var st unix.Stat_t
	must(t, unix.Stat(path, &st))
	return st.Blocks * 512
}

// TestSparseTakesAsMuch has files of which some go through a worker. Each run of data may take up to a
// block of 64 KiB more at each end.
func TestSparseTakesAsMuch(t *testing.T) {
	if testing.Short() {
		t.Skip("long holes take their time; TestExtractHoles has short ones")
	}
	dir := t.TempDir()
	data := bytes.Repeat([]byte("x"), 200<<10)
	for name, c := range map[string]struct {
		size   int64
		run    int
		starts []int64
	}{
		"database":     {100 << 20, 200 << 10, []int64{0, 3<<20 + 5, 40 << 20, 99<<20 + 4096}},
		"log":          {30 << 20, 100 << 10, []int64{29 << 20}},
		"small":        {128 << 10, 100, []int64{64 << 10}},
		"hole only":    {128 << 10, 0, nil},
		"hole at end":  {127<<10 + 1, 10, []int64{0}},
		"small blocks": {1 << 20, 4096, []int64{0, 512 << 10}},
	} {
		f, err := os.Create(dir + "/" + name)
		must(t, err, f.Truncate(c.size))
		for _, start := range c.starts {
			_, err := f.WriteAt(data[:c.run], start)
			must(t, err)
		}
		must(t, f.Sync(), f.Close())
		if allocated(t, dir+"/"+name) > c.size/2 {
			missing(t, "a file system with holes")
		}
	}
	stream, report := readTree(t, dir)
	if len(report.Changed) > 0 {
		t.Errorf("report %+v", report)
	}
	got, _ := extractInto(t, stream, volume.ExtractOptions{Sync: true})
	tool(t, nil, "diff", "-r", dir, got)
	for name, runs := range map[string]int64{"database": 4, "log": 1, "small": 1, "hole only": 0, "hole at end": 1, "small blocks": 2} {
		before, after := allocated(t, dir+"/"+name), allocated(t, got+"/"+name)
		if after > before+runs*(128<<10) || after < before/2 {
			t.Errorf("%s takes %d bytes, and %d restored", name, before, after)
		}
	}
}

// TestHolesAreNotRead has a file so long that reading its holes would take minutes.
func TestHolesAreNotRead(t *testing.T) {
	dir := t.TempDir()
	f, err := os.Create(dir + "/long")
	must(t, err, f.Truncate(1<<30))
	defer f.Close()
	_, err = f.WriteAt([]byte("x"), 1<<29)
	must(t, err)
	var size counter
	_, err = volume.WriteTar(context.Background(), &size, dir, volume.ReadOptions{})
	must(t, err)
	if size < 1<<30 {
		t.Errorf("the stream has %d bytes", size)
	}
}
