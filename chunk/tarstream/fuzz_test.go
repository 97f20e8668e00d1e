package tarstream

import (
	"archive/tar"
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
)

// seeds are streams of every format, written by archive/tar and by hand.
func seeds(t testing.TB) [][]byte {
	files := []file{named("a", "abc"), {Header: tar.Header{Name: "d/", Typeflag: tar.TypeDir}},
		{Header: tar.Header{Name: "l", Linkname: "a", Typeflag: tar.TypeSymlink}}, named("b", strings.Repeat("x", 513))}
	var all [][]byte
	for _, format := range []tar.Format{tar.FormatUSTAR, tar.FormatPAX, tar.FormatGNU} {
		stream := files
		if format != tar.FormatUSTAR {
			stream = append(files, named(strings.Repeat("long/", 60), ""))
		}
		for i := range stream {
			stream[i].Format = format
		}
		all = append(all, write(t, stream...))
	}
	sparse := block(header('S', "sparse", 4))
	copy(sparse.magic(), "ustar  \x00")
	copy(sparse[386:], "00000000000\x0000000000004\x00")
	copy(sparse.realSize(), "00000010000\x00")
	sparse[482] = 1
	for name, s := range bodilessStreams() {
		all = append(all, []byte(s), []byte(name))
	}
	return append(all,
		[]byte(string(sum(sparse))+string(zeroBlock[:])+padded("data")+end),
		[]byte(paxHeader("GNU.sparse.major=1", "GNU.sparse.minor=0", "GNU.sparse.name=s", "GNU.sparse.realsize=900")+
			string(header('0', "s", 516))+padded("1\n0\n4\n")+padded("data")+end),
		[]byte(paxHeader("GNU.sparse.size=900", "GNU.sparse.numblocks=1", "GNU.sparse.map=0,4")+
			string(header('0', "s", 4))+padded("data")+end),
		[]byte(paxHeader("size=5", "mtime=-1.5", "SCHILY.xattr.user.a=b", "LIBARCHIVE.xattr.c=YQ", "uid=9999999999")+
			string(header('1', "h", 0))+padded("bytes")+end),
		[]byte(string(header('g', "g", 16))+padded("16 comment=seed\n")+string(header('0', "a", 0))+end+"trailing"),
		[]byte(end), []byte("plain"), nil)
}

// Whatever the bytes: the parts put together are the input, or a typed error
// says why not; accepted as unfinished, they always are.
func FuzzReader(f *testing.F) {
	for _, seed := range seeds(f) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, input []byte) {
		strict := NewReader(bytes.NewReader(input), Options{})
		strictParts, joined, err := split(t, strict)
		if err == nil && !bytes.Equal(joined, input) {
			t.Fatal("the parts joined are not the input")
		}
		if err != nil && !errors.Is(err, ErrUnfinished) && !errors.Is(err, ErrHeader) {
			t.Fatalf("no typed error: %v", err)
		}
		if !bytes.HasPrefix(input, joined) {
			t.Fatal("the parts joined are no start of the input")
		}
		r := NewReader(bytes.NewReader(input), Options{AcceptUnfinished: true})
		parts, joined, acceptErr := split(t, r)
		if acceptErr != nil || !bytes.Equal(joined, input) {
			t.Fatalf("accepted: %v", acceptErr)
		}
		if (r.Unfinished() == nil) != (err == nil) || r.Tar() != strict.Tar() {
			t.Fatalf("strict %v, accepted %v", err, r.Unfinished())
		}
		if err == nil && len(parts) != len(strictParts) {
			t.Fatalf("strict %d parts, accepted %d", len(strictParts), len(parts))
		}
		var d Decoder
		for _, p := range parts {
			if p.Kind != Entry {
				continue
			}
			// What Reader returns, Decoder decodes.
			if _, err := d.Member(p.Header, p.Size); err != nil && !errors.Is(err, ErrHeaderLength) {
				t.Fatal(err)
			}
		}
	})
}

// What archive/tar reads to the end, Reader reads too, with the same members.
func FuzzAgainstGo(f *testing.F) {
	for _, seed := range seeds(f) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, input []byte) {
		want := 0
		for r := tar.NewReader(bytes.NewReader(input)); ; want++ {
			h, err := r.Next()
			if err == io.EOF {
				break
			}
			// It never returns the data of a hard link, and takes Solaris's
			// extended headers for members.
			if err != nil || h.Typeflag == tar.TypeXGlobalHeader || h.Typeflag == tar.TypeLink || h.Typeflag == typePaxSun {
				return
			}
		}
		r := NewReader(bytes.NewReader(input), Options{AcceptUnfinished: true})
		parts, _, err := split(t, r)
		if err != nil {
			t.Fatal(err)
		}
		// It takes a blank checksum for a zero, and signed sums can be that.
		var damage *HeaderError
		if errors.As(r.Unfinished(), &damage) && strings.Trim(string(block(input[damage.Offset:]).chksum()), " \x00") == "" {
			return
		}
		got := 0
		for _, p := range parts {
			if p.Kind == Entry {
				got++
			}
		}
		if r.Tar() && got != want {
			t.Fatalf("%d members, by archive/tar %d; %v", got, want, r.Unfinished())
		}
	})
}

// A repository may hold any bytes as a header. No panic, no endless reading,
// and what Member refuses is refused with its type.
func FuzzDecoder(f *testing.F) {
	for _, seed := range seeds(f) {
		r := NewReader(bytes.NewReader(seed), Options{AcceptUnfinished: true})
		parts, _, _ := split(f, r)
		for _, p := range parts {
			f.Add(p.Header, p.content)
		}
	}
	f.Fuzz(func(t *testing.T, header, content []byte) {
		var d Decoder
		for range 2 {
			m, err := d.Member(header, int64(len(content)))
			if err != nil && (m != nil || !errors.Is(err, ErrHeader)) {
				t.Fatalf("%+v, %v", m, err)
			}
		}
		r, err := Expand(header, int64(len(content)), bytes.NewReader(content))
		if err == nil {
			io.Copy(io.Discard, io.LimitReader(r, 1<<20))
		}
	})
}
