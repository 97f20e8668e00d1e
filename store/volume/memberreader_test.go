package volume

import (
	"archive/tar"
	"bufio"
	"bytes"
	"fmt"
	"io"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

// memberStreams are streams of each format, by what is in them.
func memberStreams(t testing.TB) map[string][]byte {
	when := time.Unix(1_700_000_000, 123_456_789)
	long := strings.Repeat("long/", 60) + "name"
	headers := []tar.Header{
		{Typeflag: tar.TypeDir, Name: "./", Mode: 0o755},
		{Typeflag: tar.TypeReg, Name: "./catalogue.db", Size: 700, Mode: 0o640, Uid: 7, Gid: 8, Uname: "hazel", Gname: "seedbank"},
		{Typeflag: tar.TypeReg, Name: "./empty", Mode: 0o4755},
		{Typeflag: tar.TypeReg, Name: "./" + strings.Repeat("p", 90) + "/" + strings.Repeat("n", 90), Size: 1024},
		{Typeflag: tar.TypeSymlink, Name: "./s", Linkname: "catalogue.db"},
		{Typeflag: tar.TypeLink, Name: "./h", Linkname: "./catalogue.db"},
		{Typeflag: tar.TypeChar, Name: "./c", Devmajor: 1, Devminor: 3},
		{Typeflag: tar.TypeFifo, Name: "./f"},
		{Typeflag: tar.TypeReg, Name: "./last", Size: 3},
	}
	all := make(map[string][]byte)
	for _, f := range []tar.Format{tar.FormatUSTAR, tar.FormatPAX, tar.FormatGNU} {
		these := slices.Clone(headers)
		for i := range these {
			these[i].ModTime = when.Truncate(time.Second)
		}
		if f != tar.FormatUSTAR {
			these = append(these, tar.Header{Typeflag: tar.TypeReg, Name: long, Size: 9, ModTime: when},
				tar.Header{Typeflag: tar.TypeSymlink, Name: "./l", Linkname: long, ModTime: time.Unix(-5, 5e8)},
				tar.Header{Typeflag: tar.TypeReg, Name: "./ü", Uid: 1 << 25, Gid: 1 << 40, Size: 2, ModTime: when, AccessTime: when},
				tar.Header{Typeflag: tar.TypeReg, Name: "./end", ModTime: when})
		}
		all[f.String()] = writeHeaders(t, f, these...)
	}
	for name, records := range map[string]map[string]string{
		"attributes": {"SCHILY.xattr.user.lot": "a\x00=b", "SCHILY.xattr.user.none": "", "SCHILY.acl.access": "user::rw-,group::r--,other::---"},
		"unknown":    {"SEEDBANK.shelf": "4"}, "selinux": {"RHT.security.selinux": "u:r:t:s0"}, "charset": {"hdrcharset": "BINARY"},
	} {
		all[name] = writeHeaders(t, tar.FormatPAX, headers[0], tar.Header{Typeflag: tar.TypeReg, Name: "a", Size: 4, PAXRecords: records}, headers[1])
	}
	all["global"] = writeHeaders(t, tar.FormatPAX, tar.Header{Typeflag: tar.TypeXGlobalHeader, PAXRecords: map[string]string{"path": "x"}}, headers[1], headers[2])
	for name, text := range map[string]string{
		"none": "", "records twice": "13 uid=12345\n11 uid=777\n", "line for a name": "9 path=\n\n", "empty uid": "7 uid=\n", "sign": "9 uid=+7\n",
		"minus": "19 mtime=-1.500000\n", "point": "12 mtime=1.\n", "half": "13 mtime=1.5\n", "eleven decimals": "23 mtime=1.12345678901\n", "no digits": "12 mtime=.5\n",
		"NUL": "12 path=a\x00b\n", "size": "11 size=00\n", "too short": "3 a\n", "too long": "99 uid=7\n", "no newline": "8 uid=7x", "zeros": "010 uid=7\n",
		"sparse": "22 GNU.sparse.major=1\n22 GNU.sparse.minor=0\n", "large uid": "19 uid=99999999999\n", "larger": "29 uid=999999999999999999999\n",
		"old sparse": "21 GNU.sparse.size=9\n26 GNU.sparse.numblocks=1\n22 GNU.sparse.map=0,3\n",
	} {
		x := bytes.Clone(writeHeaders(t, tar.FormatUSTAR, tar.Header{Typeflag: tar.TypeReg, Name: "x", Size: int64(len(text))}, headers[1], headers[8]))
		copy(x[blockSize:], text)
		x[156] = tar.TypeXHeader
		all["records: "+name] = reseal(x)
	}
	for name, change := range map[string]func(b []byte){
		"old kind": func(b []byte) { b[156] = 0 }, "no checksum": func(b []byte) { b[0]++ }, "v7": func(b []byte) { clear(b[257:265]) },
		"star": func(b []byte) { copy(b[345:], strings.Repeat("1", 150)); copy(b[508:], "tar\x00") }, "link with a size": func(b []byte) { b[156] = tar.TypeLink },
		"spaces": func(b []byte) { copy(b[124:136], "     1274 \x00 ") }, "no digit": func(b []byte) { b[101] = '9' }, "binary": func(b []byte) { b[124] = 0x80 },
		"blank": func(b []byte) { clear(b[100:124]) }, "unknown kind": func(b []byte) { b[156] = 'Q' }, "contiguous": func(b []byte) { b[156] = tar.TypeCont },
		"high bytes": func(b []byte) { copy(b[345:], "\xff\xfe\x80") }, "full": func(b []byte) { copy(b[:100], strings.Repeat("x", 100)) },
	} {
		x := bytes.Clone(all["USTAR"])
		change(x[blockSize:])
		if name != "no checksum" {
			x = append(x[:blockSize:blockSize], reseal(x[blockSize:])...)
		}
		all["block: "+name] = x
	}
	all["zeros, then more"] = append(make([]byte, blockSize), all["USTAR"]...)
	all["one block of zeros"], all["nothing"] = make([]byte, blockSize), nil
	return all
}

// writeHeaders writes members with any content.
func writeHeaders(t testing.TB, f tar.Format, headers ...tar.Header) []byte {
	t.Helper()
	var out bytes.Buffer
	w := tar.NewWriter(&out)
	for _, h := range headers {
		if h.Format = f; h.Typeflag == tar.TypeXGlobalHeader {
			h.Format = tar.FormatUnknown
		}
		if err := w.WriteHeader(&h); err != nil {
			t.Fatalf("%s, %s: %v", f, h.Name, err)
		}
		if _, err := w.Write(bytes.Repeat([]byte{'x'}, int(h.Size))); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// reseal mends the checksum of the first block.
func reseal(b []byte) []byte {
	sum := 8 * int(' ')
	for i, c := range b[:blockSize] {
		if i < 148 || i >= 156 {
			sum += int(c)
		}
	}
	copy(b[148:], fmt.Sprintf("%06o\x00 ", sum))
	return b
}

// compareWithTar reads a stream in both ways. Of some members the content is left for the next call
// to skip.
func compareWithTar(t *testing.T, in []byte) {
	want := tar.NewReader(bytes.NewReader(in))
	got := &memberReader{in: &tail{r: bufio.NewReaderSize(bytes.NewReader(in), bufferSize)}}
	for i := 0; ; i++ {
		h, err := want.Next()
		g, gotErr := got.next()
		if fmt.Sprint(err) != fmt.Sprint(gotErr) {
			t.Fatalf("member %d: error %v, by archive/tar %v", i, gotErr, err)
		}
		if err != nil {
			return
		}
		if a, b := whatCounts(h), whatCounts(g); !reflect.DeepEqual(a, b) {
			t.Fatalf("member %d: %+v, by archive/tar %+v", i, b, a)
		}
		if i%3 == 2 {
			continue
		}
		const most = 1 << 20
		content, err := io.ReadAll(io.LimitReader(want, most))
		gotContent, gotErr := io.ReadAll(io.LimitReader(got, most))
		if !bytes.Equal(content, gotContent) || fmt.Sprint(err) != fmt.Sprint(gotErr) {
			t.Fatalf("member %d: %d bytes, %v, by archive/tar %d, %v", i, len(gotContent), gotErr, len(content), err)
		}
	}
}

// whatCounts gives what Extract looks at.
func whatCounts(h *tar.Header) []any {
	attrs, lost := attributes(h.PAXRecords, newOwners())
	return []any{h.Name, h.Linkname, h.Typeflag, h.Size, h.Mode, h.Uid, h.Gid, h.Uname, h.Gname,
		h.ModTime, h.Devmajor, h.Devminor, attrs, lost, isSparse(h)}
}

func TestMemberReader(t *testing.T) {
	for name, in := range memberStreams(t) {
		t.Run(name, func(t *testing.T) {
			compareWithTar(t, in)
			for cut := range len(in) {
				if cut%blockSize < 2 || cut%97 == 0 {
					compareWithTar(t, in[:cut])
				}
			}
		})
	}
}

func FuzzMemberReader(f *testing.F) {
	streams := memberStreams(f)
	for _, name := range slices.Sorted(maps.Keys(streams)) {
		f.Add(streams[name], uint16(0), byte(0))
		f.Add(streams[name], uint16(blockSize+124), byte('7'))
	}
	f.Fuzz(func(t *testing.T, in []byte, at uint16, c byte) {
		compareWithTar(t, in)
		// A change that the checksum agrees to gets further.
		if at := int(at); at < len(in) {
			if in = bytes.Clone(in); len(in)-at/blockSize*blockSize >= blockSize {
				in[at] = c
				reseal(in[at/blockSize*blockSize:])
			}
		}
		compareWithTar(t, in)
	})
}

// TestPlain reads what this package writes, and what common programs write, without archive/tar up to the end.
func TestPlain(t *testing.T) {
	streams := memberStreams(t)
	for _, name := range []string{"USTAR", "attributes", "selinux", "block: blank", "records: records twice"} {
		got := &memberReader{in: &tail{r: bufio.NewReaderSize(bytes.NewReader(streams[name]), bufferSize)}}
		for {
			h, err := got.next()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if got.tar != nil {
				t.Errorf("%s: %q is not plain", name, h.Name)
			}
		}
	}
}
