package tarstream

import (
	"archive/tar"
	"bytes"
	"cmp"
	"compress/bzip2"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// compareWithGo compares all fields with what archive/tar reads.
func compareWithGo(t *testing.T, stream []byte, members []*Member) {
	r := tar.NewReader(bytes.NewReader(stream))
	global := map[string]string{}
	for _, m := range members {
		h, err := r.Next()
		for err == nil && h.Typeflag == tar.TypeXGlobalHeader { // it does not apply them
			maps.Copy(global, h.PAXRecords)
			h, err = r.Next()
		}
		must(t, err)
		sameAsGo(t, m, h, global)
	}
}

func sameAsGo(t *testing.T, m *Member, h *tar.Header, global map[string]string) {
	t.Helper()
	if len(global) > 0 {
		h.Gname = cmp.Or(h.PAXRecords["gname"], global["gname"], h.Gname)
		if seconds, ok := parseTime(global["mtime"]); ok && h.PAXRecords["mtime"] == "" {
			h.ModTime = seconds
		}
	}
	link := h.Linkname
	if h.Typeflag != tar.TypeSymlink && h.Typeflag != tar.TypeLink {
		link = ""
	}
	size := h.Size
	if h.Typeflag >= '1' && h.Typeflag <= '6' {
		size = m.Size
	}
	got := fmt.Sprintf("%q %q %d %d %d %q %q %v %v", m.Path, m.Link, m.Size, m.UID, m.GID, m.User, m.Group, m.Modified.UTC(), m.Mode)
	want := fmt.Sprintf("%q %q %d %d %d %q %q %v %v", h.Name, link, size, h.Uid, h.Gid, h.Uname, h.Gname, h.ModTime.UTC(),
		h.FileInfo().Mode().Perm()|h.FileInfo().Mode()&(fs.ModeSetuid|fs.ModeSetgid|fs.ModeSticky)|m.Type.mode())
	if got != want {
		t.Errorf("read\n%s\nby archive/tar\n%s", got, want)
	}
	if m.Type == CharDevice || m.Type == BlockDevice {
		if m.DevMajor != h.Devmajor || m.DevMinor != h.Devminor {
			t.Errorf("%q: device %d,%d, by archive/tar %d,%d", m.Path, m.DevMajor, m.DevMinor, h.Devmajor, h.Devminor)
		}
	}
	for key, value := range h.PAXRecords {
		if name, ok := strings.CutPrefix(key, "SCHILY.xattr."); ok && string(m.Attributes[name]) != value {
			t.Errorf("%q: attribute %q is %q, by archive/tar %q", m.Path, name, m.Attributes[name], value)
		}
	}
}

// goTestdata reads the streams of archive/tar's own tests, which are part of a
// Go installation.
func goTestdata(t testing.TB) map[string][]byte {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		needed(t, "the go command")
	}
	names, _ := filepath.Glob(filepath.Join(strings.TrimSpace(string(root)), "src/archive/tar/testdata/*.tar*"))
	if len(names) == 0 {
		needed(t, "the test data of archive/tar in GOROOT")
	}
	streams := map[string][]byte{}
	for _, name := range names {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		var r io.Reader = f
		switch filepath.Ext(name) {
		case ".bz2":
			r = bzip2.NewReader(f)
		case ".base64":
			r = base64.NewDecoder(base64.StdEncoding, f)
		}
		if streams[filepath.Base(name)], err = io.ReadAll(r); err != nil {
			t.Fatal(name, err)
		}
		f.Close()
	}
	return streams
}

// refused are the streams of archive/tar's tests that are damaged or, most of
// them, were made without an end marker: all others must be read.
var refused = map[string]error{
	"gnu-incremental.tar":        ErrUnfinished,
	"gnu-multi-hdrs.tar":         ErrUnfinished,
	"invalid-go17.tar":           nil,
	"issue11169.tar":             ErrUnfinished,
	"issue12435.tar":             ErrHeader,
	"neg-size.tar.base64":        ErrHeader,
	"nil-uid.tar":                ErrUnfinished,
	"pax-bad-hdr-file.tar":       ErrUnfinished,
	"pax-bad-hdr-large.tar.bz2":  ErrHeaderLength,
	"pax-bad-mtime-file.tar":     ErrUnfinished,
	"pax-multi-hdrs.tar":         ErrUnfinished,
	"pax-path-hdr.tar":           ErrUnfinished,
	"pax-pos-size-file.tar":      ErrUnfinished,
	"ustar-file-reg.tar":         ErrUnfinished,
	"writer-big-long.tar.base64": ErrUnfinished,
	"writer-big.tar":             ErrUnfinished,
}

// disputed are those that archive/tar reads in another way than GNU tar 1.34
// (tar -tvf), which is what we do.
var disputed = map[string]string{
	"pax-global-records.tar":        "global1", // a path in a global header counts
	"invalid-go17.tar":              "foo",     // the GNU format has no prefix
	"pax-nul-path.tar":              strings.Repeat("0123456789", 20)[:0],
	"pax-nul-xattrs.tar":            "bad-null.txt",
	"gnu-sparse-many-zeros.tar.bz2": "sparse", // archive/tar: too many holes
	"pax-bad-hdr-file.tar":          "",
	"pax-bad-mtime-file.tar":        "",
}

func TestGoTestdata(t *testing.T) {
	for name, stream := range goTestdata(t) {
		t.Run(name, func(t *testing.T) {
			r := NewReader(bytes.NewReader(stream), Options{AcceptUnfinished: true})
			parts, joined, err := split(t, r)
			if err != nil || !bytes.Equal(joined, stream) {
				t.Fatalf("accepted: %v", err)
			}
			if !errors.Is(r.Unfinished(), refused[name]) {
				t.Errorf("Unfinished: %v instead of %v", r.Unfinished(), refused[name])
			}
			_, joined, err = split(t, NewReader(bytes.NewReader(stream), Options{}))
			if !errors.Is(err, refused[name]) {
				t.Errorf("%v instead of %v", err, refused[name])
			}
			if err == nil && !bytes.Equal(joined, stream) {
				t.Error("the parts joined are not the stream")
			}
			var d Decoder
			var members []*Member
			for _, p := range parts {
				if p.Kind == Entry {
					m, err := d.Member(p.Header, p.Size)
					must(t, err)
					members = append(members, m)
				}
			}
			if path, ok := disputed[name]; !ok {
				compareWithGo(t, stream, members)
			} else if !strings.HasPrefix(members[0].Path, path) {
				t.Errorf("path %q", members[0].Path)
			}
		})
	}
}

// encode makes a header of an entry from a block changed by change.
func encode(records []string, change func(b block)) []byte {
	b := block(header('0', "name", 0))
	change(b)
	h := []byte(sum(b))
	if len(records) > 0 {
		h = append([]byte(paxHeader(records...)), h...)
	}
	return h
}

func TestModified(t *testing.T) {
	base256 := func(n int64) func(block) {
		return func(b block) {
			for i := range 12 {
				b.mtime()[11-i] = byte(n >> min(8*i, 63))
			}
			b.mtime()[0] |= 0x80
		}
	}
	none := func(block) {}
	for _, test := range []struct {
		records []string
		change  func(block)
		want    time.Time
	}{
		{nil, none, time.Unix(0, 0)},
		{nil, func(b block) { copy(b.mtime(), "00000000017") }, time.Unix(15, 0)},
		{nil, func(b block) { copy(b.mtime(), "garbage") }, time.Unix(0, 0)},
		{nil, base256(99_999_999_999), time.Unix(99_999_999_999, 0)},
		{nil, base256(-5), time.Unix(-5, 0)},
		{[]string{"mtime=1.000000001"}, none, time.Unix(1, 1)},
		{[]string{"mtime=1.5"}, none, time.Unix(1, 500_000_000)},
		{[]string{"mtime=1."}, none, time.Unix(1, 0)},
		{[]string{"mtime=1.1234567899"}, none, time.Unix(1, 123_456_789)},
		{[]string{"mtime=-1.25"}, none, time.Unix(-2, 750_000_000)}, // POSIX pax: a decimal number
		{[]string{"mtime=-0.25"}, none, time.Unix(-1, 750_000_000)},
		{[]string{"mtime=1.-5"}, func(b block) { copy(b.mtime(), "00000000017") }, time.Unix(15, 0)},
		{[]string{"mtime=x"}, func(b block) { copy(b.mtime(), "00000000017") }, time.Unix(15, 0)},
		{[]string{"mtime=" + strings.Repeat("9", 400)}, none, time.Unix(0, 0)},
	} {
		m, err := new(Decoder).Member(encode(test.records, test.change), 0)
		must(t, err)
		if !m.Modified.Equal(test.want) {
			t.Errorf("%q: %v, not %v", test.records, m.Modified.UTC(), test.want.UTC())
		}
	}
}

func TestNumbers(t *testing.T) {
	for _, test := range []struct {
		field string
		want  int64
		ok    bool
	}{
		{"0000644\x00", 0o644, true},
		{"   644 \x00", 0o644, true},
		{"\x00\x00\x00\x00", 0, true},
		{"77777777", 0o77777777, true},
		{"12 9", 0o12, true},
		{"8", 0, false},
		{"-1", 0, false},
		{strings.Repeat("7", 30), 0, false},
		{"\x80\x00\x00\x01", 1, true},
		{"\x80\xff\xff", 0xffff, true},
		{"\xff\xff\xff\xff", -1, true},
		{"\xff\x80\x00", -32768, true},
		{"\xc0\x00", -16384, true},
		{"\xbf\xff", 16383, true},
		{"\x80\x00\x00\x00\x7f\xff\xff\xff\xff\xff\xff\xff", math.MaxInt64, true},
		{"\xff\xff\xff\xff\x80\x00\x00\x00\x00\x00\x00\x00", math.MinInt64, true},
		{"\x80\x00\x00\x00\x80\x00\x00\x00\x00\x00\x00\x00", 0, false},
		{"\xff\xff\xff\xff\x7f\xff\xff\xff\xff\xff\xff\xff", 0, false},
	} {
		if got, ok := parseNumber([]byte(test.field)); got != test.want || ok != test.ok {
			t.Errorf("%q: %d, %v", test.field, got, ok)
		}
	}
}

func TestGlobalHeaders(t *testing.T) {
	global := func(records ...string) string {
		h := []byte(paxHeader(records...))
		h[156] = typePaxGlobal
		copy(h, sum(block(h[:blockSize])))
		return string(h)
	}
	a := string(header('0', "a", 0))
	var d Decoder
	for _, test := range []struct{ header, group, user string }{
		{a, "", ""},
		{global("gname=curators", "uname=hazel", "size=7", "GNU.sparse.realsize=9") + a, "curators", "hazel"},
		{a, "curators", "hazel"},
		{paxHeader("gname=guests") + a, "guests", "hazel"},
		{paxHeader("gname=") + a, "", "hazel"},
		{global("gname=") + a, "", "hazel"},
		{"123" + a, "", "hazel"},
	} {
		m, err := d.Member([]byte(test.header), 0)
		must(t, err)
		if m.Group != test.group || m.User != test.user || m.Size != 0 {
			t.Errorf("%+v", m)
		}
	}
	// They are bounded, however many come.
	var err error
	for i := 0; err == nil && i < 10_000; i++ {
		_, err = d.Member([]byte(global(fmt.Sprintf("SCHILY.xattr.user.%d=%s", i, strings.Repeat("x", 900)))+a), 0)
	}
	if !errors.Is(err, ErrHeaderLength) {
		t.Errorf("global headers without an end: %v", err)
	}
}

func TestAttributesOfLibarchive(t *testing.T) {
	// libarchive tar(5): the name in URL encoding, the value in base64; the
	// plain record, where there is one, says the same.
	m, err := new(Decoder).Member(encode([]string{
		"LIBARCHIVE.xattr.user.a%20b%3Dc=eAB5", "LIBARCHIVE.xattr.user.bad=***", "LIBARCHIVE.xattr.user.both=YQ",
		"SCHILY.xattr.user.both=plain", "RHT.security.selinux=system_u:object_r:etc_t:s0"}, func(block) {}), 0)
	must(t, err)
	want := map[string]string{"user.a b=c": "x\x00y", "user.both": "plain", "security.selinux": "system_u:object_r:etc_t:s0"}
	for name, value := range want {
		if string(m.Attributes[name]) != value {
			t.Errorf("%q is %q", name, m.Attributes[name])
		}
	}
	if len(m.Attributes) != len(want) {
		t.Errorf("%q", m.Attributes)
	}
}

func TestMemberJSON(t *testing.T) {
	m, err := new(Decoder).Member(header('2', "a", 0), 0)
	must(t, err)
	out, err := json.Marshal(m)
	must(t, err)
	for _, field := range []string{`"path":"a"`, `"type":"symlink"`, `"size":0`, `"stored":0`, `"uid":0`, `"modified":"`} {
		if !strings.Contains(string(out), field) {
			t.Errorf("no %s in %s", field, out)
		}
	}
}

func TestMemberRefuses(t *testing.T) {
	a := header('0', "a", 0)
	for name, h := range map[string]string{
		"nothing":             "",
		"padding":             strings.Repeat("x", 511),
		"no header":           strings.Repeat("x", 512),
		"zeros":               end,
		"no member":           paxHeader("path=x"),
		"cut payload":         paxHeader("path=x")[:512],
		"vast payload":        string(header('x', "a", 1<<40)) + string(a),
		"a damaged extension": paxHeader("path=x")[:511] + "y" + paxHeader("path=x")[512:] + string(a),
	} {
		if m, err := new(Decoder).Member([]byte(h), 0); !errors.Is(err, ErrHeader) {
			t.Errorf("%s: %+v, %v", name, m, err)
		}
		if _, err := Expand([]byte(h), 0, strings.NewReader("")); !errors.Is(err, ErrHeader) {
			t.Errorf("%s: Expand: %v", name, err)
		}
	}
}

func TestMemberRefusesNegativeSizes(t *testing.T) {
	if _, err := new(Decoder).Member(header('0', "a", 0), -1); !errors.Is(err, ErrHeader) {
		t.Error(err)
	}
}

// The streams of archive/tar's tests with sparse members, expanded from header
// and content alone as archive/tar expands them within the stream.
func TestExpandGoTestdata(t *testing.T) {
	data := goTestdata(t)
	for _, name := range []string{"sparse-formats.tar", "gnu-nil-sparse-data.tar", "gnu-nil-sparse-hole.tar", "pax-nil-sparse-data.tar", "pax-nil-sparse-hole.tar"} {
		whole := tar.NewReader(bytes.NewReader(data[name]))
		sparse := 0
		for _, p := range mustSplit(t, data[name]) {
			if p.Kind != Entry {
				continue
			}
			h, err := whole.Next()
			must(t, err)
			want, err := io.ReadAll(whole)
			must(t, err)
			r, err := Expand(p.Header, p.Size, bytes.NewReader(p.content))
			must(t, err)
			got, err := io.ReadAll(r)
			if err != nil || !bytes.Equal(got, want) {
				t.Errorf("%s, %s: %d bytes of %d, %v", name, h.Name, len(got), len(want), err)
			}
			m, err := new(Decoder).Member(p.Header, p.Size)
			must(t, err)
			if m.Size != int64(len(want)) {
				t.Errorf("%s, %s: size %d of %d", name, h.Name, m.Size, len(want))
			}
			if !m.Sparse {
				continue
			}
			sparse++
			// A short content must show.
			if p.Size > 0 {
				if r, err := Expand(p.Header, p.Size, bytes.NewReader(p.content[:p.Size/2])); err == nil {
					if _, err = io.ReadAll(r); err == nil {
						t.Errorf("%s, %s: half of the content is enough", name, h.Name)
					}
				}
			}
		}
		if sparse == 0 {
			t.Errorf("%s: nothing sparse", name)
		}
	}
}
