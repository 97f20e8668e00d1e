package tarstream

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The tools are GNU tar and bsdtar (libarchive); written with releases 1.34
// and 3.6.2.

func needTool(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		needed(t, name)
	}
}

func run(t *testing.T, dir string, command ...string) []byte {
	t.Helper()
	needTool(t, command[0])
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "TZ=UTC")
	var out, complaints bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaints
	if err := cmd.Run(); err != nil {
		t.Fatalf("%q: %v\n%s", command, err, complaints.Bytes())
	}
	return out.Bytes()
}

// makeV7Tree makes a folder of every type of member that v7 knows, makeTree one
// with the others too, devices only for root.
func makeV7Tree(t *testing.T) string {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	must(t, os.Mkdir(at("d"), 0o750))
	for name, content := range map[string]string{
		"empty": "", "one": "x", "block": strings.Repeat("b", 512), "d/more": strings.Repeat("m", 100_001),
		"k\xfcrbis": "no UTF-8", "größe": "UTF-8", "with space": "s",
	} {
		must(t, os.WriteFile(at(name), []byte(content), 0o640))
	}
	must(t, os.Chmod(at("one"), 0o755|fs.ModeSetuid|fs.ModeSetgid))
	must(t, os.Chmod(at("d"), 0o777|fs.ModeSticky))
	must(t, os.Symlink("../target", at("symlink")))
	must(t, os.Link(at("d/more"), at("hardlink")))
	for i, name := range []string{"one", "d/more", "empty"} {
		must(t, os.Chtimes(at(name), time.Time{}, time.Unix(1_700_000_000+int64(i), 123_456_789)))
	}
	return dir
}

func makeTree(t *testing.T) string {
	dir := makeV7Tree(t)
	at := func(name string) string { return filepath.Join(dir, name) }
	must(t, syscall.Mkfifo(at("fifo"), 0o600))
	if os.Geteuid() == 0 {
		must(t, syscall.Mknod(at("char"), syscall.S_IFCHR|0o620, 5<<8|7))
		must(t, syscall.Mknod(at("blockdev"), syscall.S_IFBLK|0o660, 259<<8|3))
	}
	return dir
}

func makeLongNames(t *testing.T) string {
	dir := makeTree(t)
	deep := filepath.Join(dir, strings.Repeat("deep-folder/", 25))
	must(t, os.MkdirAll(deep, 0o755))
	must(t, os.WriteFile(filepath.Join(deep, strings.Repeat("n", 120)), []byte("long"), 0o644))
	must(t, os.WriteFile(filepath.Join(dir, strings.Repeat("l", 101)), []byte("101"), 0o644))
	must(t, os.WriteFile(filepath.Join(dir, strings.Repeat("h", 100)), []byte("100"), 0o644))
	must(t, os.Symlink(strings.Repeat("target/", 60), filepath.Join(dir, "long-symlink")))
	must(t, os.Link(filepath.Join(deep, strings.Repeat("n", 120)), filepath.Join(dir, "a-long-hardlink")))
	return dir
}

func makeSparse(t *testing.T) string {
	dir := makeTree(t)
	sparse := func(name string, size int64, offsets ...int64) {
		f, err := os.Create(filepath.Join(dir, name))
		must(t, err)
		must(t, f.Truncate(size))
		for _, at := range offsets {
			_, err := f.WriteAt(bytes.Repeat([]byte{'s'}, 4096), at)
			must(t, err)
		}
		must(t, f.Close())
	}
	sparse("hole-at-end", 1<<20, 0)
	sparse("hole-at-start", 1<<20, 1<<20-4096)
	sparse("all-hole", 1<<20)
	var many []int64
	for i := range int64(60) { // more than fit in one block of any format
		many = append(many, i*16<<10)
	}
	sparse("many-holes", 1<<20, many...)
	sparse("odd", 1<<20+77, 8192, 1<<20-4096+77)
	sparse("9GiB", 9<<30, 5<<20, 9<<30-8192)
	return dir
}

// made is a stream made by a tool.
type made struct {
	name    string
	command []string
	tree    func(*testing.T) string
}

func streams() []made {
	var all []made
	add := func(tree func(*testing.T) string, name string, command ...string) {
		all = append(all, made{name, append(command, "."), tree})
	}
	for _, format := range []string{"v7", "oldgnu", "gnu", "ustar", "posix"} {
		for _, blocking := range []string{"1", "20", "300"} {
			tree := makeTree
			if format == "v7" {
				tree = makeV7Tree
			}
			add(tree, "gnu-"+format+"-b"+blocking, "tar", "--format="+format, "-b"+blocking, "-cf-")
		}
	}
	for _, format := range []string{"oldgnu", "gnu", "posix"} {
		add(makeLongNames, "gnu-"+format+"-long", "tar", "--format="+format, "-cf-")
		add(makeSparse, "gnu-"+format+"-sparse", "tar", "--format="+format, "--sparse", "-cf-")
		add(makeTree, "gnu-"+format+"-big", "tar", "--format="+format, "--owner=big:3000000000", "--group=:2500000000",
			"--mtime=@99999999999", "-cf-")
		add(makeTree, "gnu-"+format+"-past", "tar", "--format="+format, "--mtime=1901-02-03 04:05:06", "-cf-")
	}
	for _, version := range []string{"0.0", "0.1", "1.0"} {
		add(makeSparse, "gnu-sparse-"+version, "tar", "--format=posix", "--sparse", "--sparse-version="+version, "-cf-")
	}
	add(makeTree, "gnu-global", "tar", "--format=posix", "--pax-option=comment=seedbank,gname=curators,mtime=1234567890.5", "-cf-")
	for _, format := range []string{"pax", "paxr", "gnutar"} {
		add(makeTree, "bsd-"+format, "bsdtar", "--format="+format, "-cf-")
		add(makeLongNames, "bsd-"+format+"-long", "bsdtar", "--format="+format, "-cf-")
	}
	add(makeSparse, "bsd-pax-sparse", "bsdtar", "--format=pax", "-cf-")
	add(makeV7Tree, "bsd-v7", "bsdtar", "--format=v7", "-cf-")
	add(makeTree, "bsd-ustar", "bsdtar", "--format=ustar", "-cf-")
	return all
}

// list decodes all members of a stream, and checks what Expand makes of the
// regular ones among them against the tree.
func list(t *testing.T, parts []copied, tree string) (members []*Member) {
	var d Decoder
	for _, p := range parts {
		if p.Kind != Entry {
			continue
		}
		m, err := d.Member(p.Header, p.Size)
		must(t, err)
		if m.Stored != p.Size {
			t.Errorf("%q: stored %d of %d", m.Path, m.Stored, p.Size)
		}
		members = append(members, m)
		if m.Type == File {
			sameContent(t, p, m, filepath.Join(tree, m.Path))
		}
	}
	return members
}

func sameContent(t *testing.T, p copied, m *Member, path string) {
	t.Helper()
	f, err := os.Open(path)
	must(t, err)
	defer f.Close()
	if m.Size > 1<<30 { // in time, not all of it
		checkHuge(t, p, m, f)
		return
	}
	want, err := io.ReadAll(f)
	must(t, err)
	r, err := Expand(p.Header, p.Size, bytes.NewReader(p.content))
	must(t, err)
	got, err := io.ReadAll(r)
	must(t, err)
	if !bytes.Equal(got, want) || m.Size != int64(len(want)) {
		t.Errorf("%q: %d bytes, size %d, the file has %d", m.Path, len(got), m.Size, len(want))
	}
}

func checkHuge(t *testing.T, p copied, m *Member, f *os.File) {
	t.Helper()
	const some = 6 << 20
	r, err := Expand(p.Header, p.Size, bytes.NewReader(p.content))
	must(t, err)
	got, want := make([]byte, some), make([]byte, some)
	_, err = io.ReadFull(r, got)
	must(t, err)
	_, err = io.ReadFull(f, want)
	must(t, err)
	if info, _ := f.Stat(); !bytes.Equal(got, want) || m.Size != info.Size() {
		t.Errorf("%q: differs, or its size %d", m.Path, m.Size)
	}
}

func TestStreamsOfTools(t *testing.T) {
	for _, s := range streams() {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			tree := s.tree(t)
			stream := run(t, tree, s.command...)
			members := list(t, mustSplit(t, stream), tree)
			if len(members) < 11 {
				t.Errorf("%d members", len(members))
			}
			compareWithGNU(t, stream, members)
			compareWithGo(t, stream, members)
			compareWithBSD(t, stream, members) // last, since it may not be there
		})
	}
}

var spaces = regexp.MustCompile(` +`)

// compareWithGNU compares whole lines of its longest listing.
func compareWithGNU(t *testing.T, stream []byte, members []*Member) {
	path := filepath.Join(t.TempDir(), "tar")
	must(t, os.WriteFile(path, stream, 0o600))
	out := run(t, ".", "tar", "-tvf", path, "--full-time", "--utc", "--numeric-owner", "--quoting-style=literal")
	lines := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	if len(lines) != len(members) {
		t.Fatalf("GNU tar lists %d members, not %d", len(lines), len(members))
	}
	for i, m := range members {
		if want, got := spaces.ReplaceAllString(lines[i], " "), gnuLine(m); got != want {
			t.Errorf("listed\n%s\nby GNU tar\n%s", got, want)
		}
	}
}

func gnuLine(m *Member) string {
	size, link := fmt.Sprint(m.Size), ""
	switch m.Type {
	case Symlink:
		link = " -> " + m.Link
	case Hardlink:
		link = " link to " + m.Link
	case CharDevice, BlockDevice:
		size = fmt.Sprintf("%d,%d", m.DevMajor, m.DevMinor)
	}
	modified := m.Modified.UTC().Format("2006-01-02 15:04:05.999999999")
	return fmt.Sprintf("%s %d/%d %s %s %s%s", gnuMode(m), m.UID, m.GID, size, modified, m.Path, link)
}

func gnuMode(m *Member) string {
	letters := map[Type]byte{File: '-', Folder: 'd', Symlink: 'l', Hardlink: 'h', CharDevice: 'c', BlockDevice: 'b', FIFO: 'p'}
	s := []byte("?" + m.Mode.Perm().String()[1:])
	s[0] = letters[m.Type]
	for i, flag := range []fs.FileMode{fs.ModeSetuid, fs.ModeSetgid, fs.ModeSticky} {
		if m.Mode&flag == 0 {
			continue
		}
		letter := "sst"[i]
		if s[3*i+3] != 'x' {
			letter -= 'a' - 'A'
		}
		s[3*i+3] = letter
	}
	return string(s)
}

// compareWithBSD compares the paths. It escapes what it cannot print, and fails
// in the end if a path was no UTF-8.
func compareWithBSD(t *testing.T, stream []byte, members []*Member) {
	needTool(t, "bsdtar")
	path := filepath.Join(t.TempDir(), "tar")
	must(t, os.WriteFile(path, stream, 0o600))
	lines := strings.Split(strings.TrimSuffix(string(run(t, ".", "sh", "-c", `bsdtar -tf "$0" || true`, path)), "\n"), "\n")
	if len(lines) != len(members) {
		t.Fatalf("bsdtar lists %d members, not %d", len(lines), len(members))
	}
	for i, m := range members {
		if lines[i] != m.Path && !strings.Contains(m.Path, "\xfc") && !strings.Contains(m.Path, "ö") {
			t.Errorf("listed %q, by bsdtar %q", m.Path, lines[i])
		}
	}
}

func TestAttributes(t *testing.T) {
	tree := t.TempDir()
	path := filepath.Join(tree, "file")
	must(t, os.WriteFile(path, []byte("content"), 0o600))
	want := map[string][]byte{"user.comment": []byte("a=b\nc\x00d"), "user.ü space": []byte("v"), "user.empty": {}}
	for name, value := range want {
		if err := syscall.Setxattr(path, name, value, 0); err != nil {
			needed(t, "extended attributes in the temporary folder")
		}
	}
	for _, command := range [][]string{
		{"tar", "--xattrs", "--format=posix", "-cf-", "file"},
		{"bsdtar", "--xattrs", "--format=pax", "-cf-", "file"},
	} {
		members := list(t, mustSplit(t, run(t, tree, command...)), tree)
		m := members[len(members)-1]
		for name, value := range want {
			if got, ok := m.Attributes[name]; !bytes.Equal(got, value) || !ok && len(value) > 0 {
				t.Errorf("%s: %q is %q, not %q", command[0], name, got, value)
			}
		}
	}
}

// Volume labels and incremental dumps have members of types that only GNU tar
// knows.
func TestGNUTypes(t *testing.T) {
	tree := makeTree(t)
	for _, format := range []string{"gnu", "posix"} {
		record := filepath.Join(t.TempDir(), "record")
		stream := run(t, tree, "tar", "--format="+format, "-g", record, "-V", "seedbank", "-cf-", ".")
		path := filepath.Join(t.TempDir(), "tar")
		must(t, os.WriteFile(path, stream, 0o600))
		want := bytes.Count(run(t, ".", "tar", "-tf", path), []byte("\n"))
		got, folders := 0, 0
		var d Decoder
		for _, p := range mustSplit(t, stream) {
			if p.Kind != Entry {
				continue
			}
			got++
			m, err := d.Member(p.Header, p.Size)
			must(t, err)
			if m.Type == Folder {
				folders++
			}
		}
		// In the pax format the label is a record of a global header, which
		// GNU tar lists like a member.
		if format == "posix" {
			got++
		}
		if got != want || folders != 2 {
			t.Errorf("%s: %d members, %d of them folders; GNU tar lists %d", format, got, folders, want)
		}
	}
}

func TestBodiless(t *testing.T) {
	for name, stream := range bodilessStreams() {
		path := filepath.Join(t.TempDir(), "tar")
		must(t, os.WriteFile(path, []byte(stream), 0o600))
		if out := string(run(t, ".", "bsdtar", "-tf", path)); out != "a\nnext\n" {
			t.Errorf("bsdtar, type %s: %q", name, out)
		}
		// GNU tar counts the size of links and devices when it lists, and not
		// when it extracts; only for these two it does not in either case.
		if name == "1" || name == "5" {
			if out := string(run(t, ".", "tar", "-tf", path)); out != "a\nnext\n" && out != "a/\nnext\n" {
				t.Errorf("GNU tar, type %s: %q", name, out)
			}
		}
	}
	// A hard link with data that a pax record announces.
	stream := paxHeader("size=5") + string(header('1', "a", 0)) + padded("bytes") + string(header('0', "next", 0)) + end
	for _, tool := range []string{"tar", "bsdtar"} {
		path := filepath.Join(t.TempDir(), "tar")
		must(t, os.WriteFile(path, []byte(stream), 0o600))
		if out := string(run(t, ".", tool, "-tf", path)); out != "a\nnext\n" {
			t.Errorf("%s, hard link with data: %q", tool, out)
		}
	}
	if parts := mustSplit(t, []byte(stream)); len(parts) != 3 || string(parts[0].content) != "bytes" {
		t.Errorf("%d parts", len(parts))
	}
}

func TestOtherFormatsOfToolsArePlain(t *testing.T) {
	tree := makeTree(t)
	for _, format := range []string{"cpio", "newc", "zip", "7zip"} {
		input := run(t, tree, "bsdtar", "--format="+format, "-cf-", "one", "d")
		r := NewReader(bytes.NewReader(input), Options{})
		parts, joined, err := split(t, r)
		if err != nil || r.Tar() || len(parts) != 1 || !bytes.Equal(joined, input) {
			t.Errorf("%s: %v, tar %v", format, err, r.Tar())
		}
	}
}

// What was joined is what the tools restore.
func TestJoinedStreamRestores(t *testing.T) {
	tree := makeSparse(t)
	must(t, os.Remove(filepath.Join(tree, "9GiB")))
	stream := run(t, tree, "tar", "--format=posix", "--sparse", "-cf-", ".")
	_, joined, err := split(t, NewReader(bytes.NewReader(stream), Options{}))
	must(t, err)
	path := filepath.Join(t.TempDir(), "tar")
	must(t, os.WriteFile(path, joined, 0o600))
	run(t, tree, "tar", "--compare", "-f", path)
}

func TestEmptyStreamsOfTools(t *testing.T) {
	for _, command := range [][]string{
		{"tar", "-cf-", "-T", "/dev/null"}, {"tar", "-b300", "-cf-", "-T", "/dev/null"}, {"bsdtar", "-cf-", "-T", "/dev/null"},
	} {
		stream := run(t, ".", command...)
		if parts := mustSplit(t, stream); len(parts) != 1 || parts[0].Kind != Bytes {
			t.Errorf("%q: %d parts", command, len(parts))
		}
	}
}

func TestStreamsConcatenated(t *testing.T) {
	tree := makeTree(t)
	one := run(t, tree, "tar", "-cf-", "one")
	stream := slices.Concat(one, one)
	r := NewReader(bytes.NewReader(stream), Options{})
	parts, joined, err := split(t, r)
	if err != nil || !bytes.Equal(joined, stream) || len(parts) != 2 {
		t.Errorf("%d parts, %v", len(parts), err)
	}
	if errors.Is(r.Unfinished(), ErrUnfinished) {
		t.Error(r.Unfinished())
	}
}

// Streams compressed by the tools themselves, in all the ways that make a
// difference here.
func TestDecompressTools(t *testing.T) {
	if testing.Short() {
		t.Skip("large windows take their time")
	}
	tree := makeTree(t)
	must(t, os.WriteFile(filepath.Join(tree, "noise"), noise(300_000), 0o600))
	stream := run(t, tree, "tar", "-cf", "-", ".")
	path := filepath.Join(t.TempDir(), "tar")
	must(t, os.WriteFile(path, stream, 0o600))
	for _, test := range []struct {
		want    Compression
		command string
	}{
		{Gzip, "gzip -c $0"},
		{Gzip, "(head -c 100000 $0 | gzip; tail -c +100001 $0 | gzip)"},
		{Zstd, "zstd -c $0"},
		{Zstd, "zstd -3 --long=27 < $0"},
		{Zstd, "zstd -1 --no-check -c $0"},
		{Zstd, "(head -c 100000 $0 | zstd; tail -c +100001 $0 | zstd)"},
		{XZ, "xz -9 -c $0"},
		{XZ, "xz -0 -T2 --block-size=100000 -c $0"},
		{XZ, "xz -0 --check=none -c $0"},
		{XZ, "xz -0 --check=sha256 -c $0"},
		{Bzip2, "bzip2 -9 -c $0"},
		{Bzip2, "bzip2 -1 -c $0"},
		{Bzip2, "(head -c 100000 $0 | bzip2; tail -c +100001 $0 | bzip2)"},
		{XZ, "(head -c 100000 $0 | xz --check=crc32; head -c 8 /dev/zero; tail -c +100001 $0 | xz)"},
	} {
		t.Run(test.command, func(t *testing.T) {
			needTool(t, string(test.want))
			packed := run(t, ".", "sh", "-c", test.command, path)
			out, c, err := unpack(bytes.NewReader(packed))
			if err != nil || c != test.want || !bytes.Equal(out, stream) {
				t.Errorf("%s: %q, %v", test.command, c, err)
			}
			for n := len(packed) - 1; n > magicSize; n -= len(packed)/3 + 1 {
				if _, _, err := unpack(bytes.NewReader(packed[:n])); !errors.Is(err, ErrUnfinished) {
					t.Errorf("%s, cut at %d of %d: %v", test.command, n, len(packed), err)
				}
			}
		})
	}
	for _, command := range []string{"zstd --long=31 --ultra -1 < $0", "xz -0 --lzma2=dict=200MiB -c $0"} {
		t.Run(command, func(t *testing.T) {
			program, _, _ := strings.Cut(command, " ")
			needTool(t, program)
			packed := run(t, ".", "sh", "-c", command, path)
			if _, _, err := unpack(bytes.NewReader(packed)); !errors.Is(err, ErrWindow) {
				t.Errorf("%s: %v", command, err)
			}
		})
	}
}

// A bzip2 file whose first block is as long as one can be, which does not compress.
func TestDecompressLongBlock(t *testing.T) {
	if testing.Short() {
		t.Skip("blocks of 900 kB are found bit by bit")
	}
	needTool(t, "bzip2")
	stream := write(t, named("random", string(noise(2_000_000))))
	path := filepath.Join(t.TempDir(), "tar")
	must(t, os.WriteFile(path, stream, 0o600))
	packed := run(t, ".", "bzip2", "-9", "-c", path)
	if out, c, err := unpack(bytes.NewReader(packed)); err != nil || c != Bzip2 || !bytes.Equal(out, stream) {
		t.Errorf("%q, %v", c, err)
	}
	harmed := bytes.Clone(packed)
	harmed[len(harmed)/2] ^= 1
	if _, _, err := unpack(bytes.NewReader(harmed)); !errors.Is(err, ErrCorrupt) {
		t.Errorf("with a bit flipped: %v", err)
	}
	// What holds no tar stream stays as it is.
	must(t, os.WriteFile(path, noise(2_000_000), 0o600))
	packed = run(t, ".", "bzip2", "-9", "-c", path)
	if out, c, err := unpack(bytes.NewReader(packed)); err != nil || c != "" || !bytes.Equal(out, packed) {
		t.Errorf("of noise: %q, %v", c, err)
	}
}

// An xz file cut in front of each of its blocks, where the library alone sees
// a complete one.
func TestXZCutBetweenBlocks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tar")
	must(t, os.WriteFile(path, write(t, named("a", string(noise(50_000)))), 0o600))
	packed := run(t, ".", "xz", "-0", "--block-size=10000", "-c", path)
	listing := run(t, ".", "sh", "-c", `xz -0 --block-size=10000 "$0" && xz --list --robot -vv "$0.xz"`, path)
	blocks := 0
	for line := range strings.Lines(string(listing)) {
		var stream, block, inStream, at int
		if _, err := fmt.Sscanf(line, "block\t%d\t%d\t%d\t%d", &stream, &block, &inStream, &at); err != nil {
			continue
		}
		blocks++
		if _, _, err := unpack(bytes.NewReader(packed[:at])); !errors.Is(err, ErrUnfinished) {
			t.Errorf("cut at %d, before block %d: %v", at, block, err)
		}
	}
	if blocks < 5 {
		t.Errorf("%d blocks", blocks)
	}
}
