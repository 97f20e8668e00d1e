package tarstream

import (
	"archive/tar"
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"testing"
	"testing/iotest"
)

// needed skips a test for something that is missing, or fails it where all
// must run.
func needed(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

type copied struct {
	Part
	content []byte
}

// split reads all parts and checks that they add up.
func split(t testing.TB, r *Reader) (parts []copied, joined []byte, err error) {
	t.Helper()
	for {
		p, err := r.Next()
		if err != nil {
			if err == io.EOF {
				err = nil
			}
			return parts, joined, err
		}
		if p.Offset != int64(len(joined)) {
			t.Fatalf("a part at %d behind %d bytes", p.Offset, len(joined))
		}
		if len(p.Header) > MaxHeader {
			t.Fatalf("a header of %d bytes", len(p.Header))
		}
		c := copied{Part: *p}
		c.Header = bytes.Clone(p.Header)
		joined = append(joined, p.Header...)
		c.content, err = io.ReadAll(r)
		joined = append(joined, c.content...)
		if err != nil {
			return append(parts, c), joined, err
		}
		if p.Size >= 0 && int64(len(c.content)) != p.Size && !r.accept {
			t.Fatalf("%d bytes of content, size %d", len(c.content), p.Size)
		}
		if r.Offset() != int64(len(joined)) {
			t.Fatalf("offset %d after %d bytes", r.Offset(), len(joined))
		}
		parts = append(parts, c)
	}
}

// mustSplit wants a complete tar stream.
func mustSplit(t testing.TB, stream []byte) []copied {
	t.Helper()
	r := NewReader(bytes.NewReader(stream), Options{})
	parts, joined, err := split(t, r)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(joined, stream) {
		t.Fatal("the parts joined are not the stream")
	}
	if !r.Tar() || r.Unfinished() != nil {
		t.Fatalf("Tar %v, Unfinished %v", r.Tar(), r.Unfinished())
	}
	return parts
}

type file struct {
	tar.Header
	content string
}

// write makes a tar stream with archive/tar, end marker included.
func write(t testing.TB, files ...file) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, f := range files {
		f.Mode = cmp.Or(f.Mode, 0o644)
		f.Size = int64(len(f.content))
		if err := w.WriteHeader(&f.Header); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, f.content); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func named(name, content string) file {
	return file{Header: tar.Header{Name: name}, content: content}
}

// header makes a single block, with its checksum.
func header(typeflag byte, name string, size int64) []byte {
	b := make(block, blockSize)
	copy(b.name(), name)
	copy(b.mode(), "0000644\x00")
	copy(b.size(), fmt.Sprintf("%011o\x00", size))
	b[156] = typeflag
	copy(b.magic(), "ustar\x0000")
	return sum(b)
}

func sum(b block) block {
	copy(b.chksum(), "        ")
	n := 0
	for _, c := range b {
		n += int(c)
	}
	copy(b.chksum(), fmt.Sprintf("%06o\x00 ", n))
	return b
}

func padded(s string) string { return s + strings.Repeat("\x00", int(padding(int64(len(s))))) }

func paxHeader(records ...string) string {
	var payload string
	for _, r := range records {
		n := len(r) + 3
		for len(fmt.Sprint(n))+len(r)+2 != n {
			n = len(fmt.Sprint(n)) + len(r) + 2
		}
		payload += fmt.Sprintf("%d %s\n", n, r)
	}
	return string(header(typePax, "pax", int64(len(payload)))) + padded(payload)
}

var end = strings.Repeat("\x00", 2*blockSize)

func TestPlain(t *testing.T) {
	big := strings.Repeat("INSERT INTO accessions VALUES (1, 'broad bean');\n", 10_000)
	for _, input := range []string{"", "x", big, end[:1023], end[:512], string(header('0', "a", 0)[:511]),
		"\x01" + string(header('0', "a", 0)[1:])} {
		r := NewReader(strings.NewReader(input), Options{})
		parts, joined, err := split(t, r)
		if err != nil || string(joined) != input || r.Tar() {
			t.Errorf("%.20q: %v, tar %v", input, err, r.Tar())
		}
		if input == "" && len(parts) != 0 {
			t.Error("a part of an empty input")
		}
		if input != "" && (len(parts) != 1 || parts[0].Kind != Bytes || parts[0].Size != -1 || parts[0].Header == nil == (len(parts[0].Header) > 0)) {
			t.Errorf("%.20q: %d parts", input, len(parts))
		}
	}
}

func TestEmptyTar(t *testing.T) {
	parts := mustSplit(t, []byte(end))
	if len(parts) != 1 || parts[0].Kind != Bytes || parts[0].Size != 0 {
		t.Errorf("%+v", parts)
	}
}

func TestTrailingBytes(t *testing.T) {
	stream := write(t, named("a", "content"))
	for _, test := range []struct {
		n    int
		size int64
	}{{0, 0}, {1, 0}, {511, 0}, {64 << 10, 0}, {64<<10 + 1, -1}, {1 << 20, -1}} {
		for _, fill := range []string{"\x00", "x"} {
			parts := mustSplit(t, append(bytes.Clone(stream), strings.Repeat(fill, test.n)...))
			last := parts[len(parts)-1]
			if len(parts) != 2 || last.Kind != Bytes || last.Size != test.size {
				t.Errorf("%d trailing bytes: %d parts, size %d", test.n, len(parts), last.Size)
			}
			// 505 bytes of padding stand before the end marker.
			want := 505 + 1024
			if test.size == 0 {
				want += test.n
			}
			if len(last.Header) != want {
				t.Errorf("%d trailing bytes: %d in the header, not %d", test.n, len(last.Header), want)
			}
		}
	}
}

// A lone zero block ends the stream for GNU tar 1.34, with a warning, whatever
// stands behind it.
func TestLoneZeroBlock(t *testing.T) {
	a := string(header('0', "a", 0))
	for _, rest := range []string{"", a + end, "garbage"} {
		parts := mustSplit(t, []byte(a+end[:512]+rest))
		if len(parts) != 2 || parts[1].Kind != Bytes {
			t.Errorf("%d parts before %.10q", len(parts), rest)
		}
	}
}

func TestHeaderOwnsWhatStandsBeforeTheContent(t *testing.T) {
	global := string(header(typePaxGlobal, "g", 16)) + padded("16 comment=seed\n")
	long := string(header(typeGNUName, "././@LongLink", 200)) + padded(strings.Repeat("n", 200))
	a := string(header('0', "a", 3))
	stream := global + a + padded("abc") + global + long + paxHeader("mtime=1.5") + a + padded("def") + end
	parts := mustSplit(t, []byte(stream))
	if len(parts) != 3 {
		t.Fatalf("%d parts", len(parts))
	}
	if got := string(parts[0].Header); got != global+a {
		t.Errorf("first header of %d bytes", len(got))
	}
	if got := string(parts[1].Header); got != padded("abc")[3:]+global+long+paxHeader("mtime=1.5")+a {
		t.Errorf("second header of %d bytes", len(got))
	}
	if string(parts[0].content) != "abc" || string(parts[1].content) != "def" {
		t.Error("contents differ")
	}
}

func TestSizes(t *testing.T) {
	base256 := block(header('0', "a", 0))
	copy(base256.size(), "\x80\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x05")
	sum(base256)
	for name, test := range map[string]struct {
		head string
		size int64
	}{
		"octal":              {string(header('0', "a", 5)), 5},
		"base-256":           {string(base256), 5},
		"pax":                {paxHeader("size=5") + string(header('0', "a", 0)), 5},
		"pax, last one":      {paxHeader("size=7", "size=5") + string(header('0', "a", 0)), 5},
		"pax, taken back":    {paxHeader("size=7", "size=") + string(header('0', "a", 5)), 5},
		"pax to a hardlink":  {paxHeader("size=5") + string(header('1', "a", 0)), 5},
		"pax, two headers":   {paxHeader("size=7") + paxHeader("mtime=1") + string(header('0', "a", 5)), 5},
		"v7":                 {string(header(0, "a", 5)), 5},
		"contiguous":         {string(header('7', "a", 5)), 5},
		"GNU folder":         {string(header('D', "a", 5)), 5},
		"unknown":            {string(header('Q', "a", 5)), 5},
		"hardlink with data": {string(header('1', "a", 5)), 5},
	} {
		parts := mustSplit(t, []byte(test.head+padded("bytes")[:int(roundUp(test.size))]+end))
		if parts[0].Size != test.size || string(parts[0].content) != "bytes"[:test.size] {
			t.Errorf("%s: size %d", name, parts[0].Size)
		}
	}
}

// The data of a hard link that a pax record announces may look like a header.
func TestHardlinkToATarFile(t *testing.T) {
	inner := string(header('0', "inner", 0))
	parts := mustSplit(t, []byte(paxHeader("size=512")+string(header('1', "a", 0))+inner+end))
	if len(parts) != 2 || string(parts[0].content) != inner {
		t.Errorf("%d parts", len(parts))
	}
}

// Links, folders and devices with a size but without data, as some writers
// make them. That GNU tar and bsdtar read on with the next header is shown in
// TestBodiless.
func bodilessStreams() map[string]string {
	streams := map[string]string{}
	for _, typeflag := range "123456" {
		b := block(header(byte(typeflag), "a", 1000))
		copy(b.linkname(), "target")
		streams[string(typeflag)] = string(sum(b)) + string(header('0', "next", 0)) + end
	}
	return streams
}

func TestSizeWithoutData(t *testing.T) {
	for name, stream := range bodilessStreams() {
		if parts := mustSplit(t, []byte(stream)); len(parts) != 3 || parts[0].Size != 0 {
			t.Errorf("type %s: %d parts, size %d", name, len(parts), parts[0].Size)
		}
		if parts := mustSplit(t, []byte(stream[:512]+end)); len(parts) != 2 || parts[0].Size != 0 {
			t.Errorf("type %s, last: %d parts, size %d", name, len(parts), parts[0].Size)
		}
	}
}

func TestSignedChecksum(t *testing.T) {
	b := block(header('0', "k\xfcrbis", 0)) // Latin-1
	n := 0
	copy(b.chksum(), "        ")
	for _, c := range b {
		n += int(int8(c))
	}
	copy(b.chksum(), fmt.Sprintf("%06o\x00 ", n))
	mustSplit(t, []byte(string(b)+end))
}

func TestBlankChecksum(t *testing.T) {
	b := bytes.Repeat([]byte{0xe0}, 8) // with 8 spaces, a signed sum of zero
	b = append(b, make([]byte, blockSize-8)...)
	if block(b).valid() {
		t.Error("a block without a checksum is taken for a header")
	}
}

func TestHostileSizes(t *testing.T) {
	for name, field := range map[string]string{
		"negative":           "\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xfe",
		"overflow":           "\x80\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00",
		"largest":            "\x80\x00\x00\x00\x7f\xff\xff\xff\xff\xff\xff\xff",
		"no octal digit":     "0000000009 \x00",
		"minus":              "-0000000001\x00",
		"just over a block":  "\x80\x00\x00\x00\x7f\xff\xff\xff\xff\xff\xfe\x01",
		"letters":            "abcdefghijkl",
		"hexadecimal digits": "0x000000010\x00",
	} {
		for _, typeflag := range []byte{'0', '1', '5', 'x', 'g', 'L', 'S'} {
			b := block(header(typeflag, "a", 0))
			copy(b.size(), field)
			_, _, err := split(t, NewReader(strings.NewReader(string(sum(b))+end), Options{}))
			if !errors.Is(err, ErrHeader) && !errors.Is(err, ErrUnfinished) {
				t.Errorf("%s size of type %c: %v", name, typeflag, err)
			}
		}
	}
	for _, size := range []string{"-1", "9223372036854775807", "9223372036854775296", "99999999999999999999", "1e3", "0x10", " 5"} {
		stream := paxHeader("size="+size) + string(header('0', "a", 0)) + end
		if _, _, err := split(t, NewReader(strings.NewReader(stream), Options{})); !errors.Is(err, ErrHeader) {
			t.Errorf("pax size %s: %v", size, err)
		}
	}
	// The largest that can be: the stream ends in it.
	stream := paxHeader(fmt.Sprint("size=", int64(math.MaxInt64-blockSize))) + string(header('0', "a", 0)) + end
	if _, _, err := split(t, NewReader(strings.NewReader(stream), Options{})); !errors.Is(err, ErrUnfinished) {
		t.Error(err)
	}
}

func TestHeaderLength(t *testing.T) {
	for _, typeflag := range []byte{'x', 'g', 'L', 'K', 'X'} {
		extension := func(n int64) string {
			return string(header(typeflag, "x", n)) + strings.Repeat("\x00", int(roundUp(n)))
		}
		rest := string(header('0', "a", 0)) + end
		mustSplit(t, []byte(extension(MaxHeader-2*blockSize)+rest))

		for name, stream := range map[string]string{
			"one":  extension(MaxHeader-2*blockSize+1) + rest,
			"many": strings.Repeat(extension(64<<10), 17) + rest,
			"vast": string(header(typeflag, "x", 1<<32)) + rest,
		} {
			_, _, err := split(t, NewReader(strings.NewReader(stream), Options{}))
			if !errors.Is(err, ErrHeaderLength) || !errors.Is(err, ErrHeader) {
				t.Errorf("%c, %s: %v", typeflag, name, err)
			}
			r := NewReader(strings.NewReader(stream), Options{AcceptUnfinished: true})
			_, joined, err := split(t, r)
			if err != nil || string(joined) != stream || !errors.Is(r.Unfinished(), ErrHeaderLength) {
				t.Errorf("%c, %s accepted: %v, %v", typeflag, name, err, r.Unfinished())
			}
		}
	}
	// Blocks of a sparse map without an end.
	b := block(header('S', "a", 0))
	copy(b.magic(), "ustar  \x00")
	b[482] = 1
	stream := io.MultiReader(bytes.NewReader(sum(b)), endless{})
	if _, err := NewReader(stream, Options{}).Next(); !errors.Is(err, ErrHeaderLength) {
		t.Error(err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 1
	}
	return len(p), nil
}

func TestDamage(t *testing.T) {
	stream := write(t, named("a", "abc"), named("b", ""), named("c", "def"))
	stream[1024+5] ^= 1 // in b's header
	_, _, err := split(t, NewReader(bytes.NewReader(stream), Options{}))
	var damage *HeaderError
	if !errors.As(err, &damage) || damage.Offset != 1024 || !errors.Is(err, ErrHeader) || errors.Is(err, ErrHeaderLength) {
		t.Fatalf("%v", err)
	}
	if !strings.Contains(err.Error(), "byte 1024") {
		t.Errorf("no position in %q", err)
	}
	r := NewReader(bytes.NewReader(stream), Options{AcceptUnfinished: true})
	parts, joined, err := split(t, r)
	if err != nil || !bytes.Equal(joined, stream) {
		t.Fatal("not carried", err)
	}
	if len(parts) != 2 || parts[0].Kind != Entry || parts[1].Kind != Bytes || parts[1].Size != -1 {
		t.Errorf("%d parts", len(parts))
	}
	if !errors.As(r.Unfinished(), &damage) || damage.Offset != 1024 {
		t.Error(r.Unfinished())
	}
}

// Every cut of a stream with all kinds of headers is an error that names the
// cut, or one block of the end marker is there already.
func TestTruncation(t *testing.T) {
	stream := write(t,
		file{Header: tar.Header{Name: strings.Repeat("long/", 60) + "name", Format: tar.FormatGNU}, content: "abc"},
		file{Header: tar.Header{Name: "pax", PAXRecords: map[string]string{"SCHILY.xattr.user.a": "b"}}, content: "def"},
		file{Header: tar.Header{Name: "dir/", Typeflag: tar.TypeDir}},
		named("last", strings.Repeat("x", 512)))
	for n := 1; n < len(stream); n++ {
		r := NewReader(bytes.NewReader(stream[:n]), Options{})
		_, _, err := split(t, r)
		switch {
		case n < blockSize: // not recognised
			if err != nil || r.Tar() {
				t.Errorf("%d: %v", n, err)
			}
			continue
		case n == len(stream)-blockSize:
			if err != nil {
				t.Errorf("%d, a lone zero block: %v", n, err)
			}
			continue
		}
		var cut *UnfinishedError
		if !errors.As(err, &cut) || cut.Offset != int64(n) || !errors.Is(err, ErrUnfinished) {
			t.Fatalf("%d: %v", n, err)
		}
		if _, again := r.Next(); again != err {
			t.Fatalf("%d: the error does not stay: %v", n, again)
		}
		if _, again := r.Read(make([]byte, 1)); again != err {
			t.Fatalf("%d: the error does not stay: %v", n, again)
		}

		r = NewReader(bytes.NewReader(stream[:n]), Options{AcceptUnfinished: true})
		_, joined, err := split(t, r)
		if err != nil || !bytes.Equal(joined, stream[:n]) {
			t.Fatalf("%d accepted: %v", n, err)
		}
		if !errors.As(r.Unfinished(), &cut) || cut.Offset != int64(n) {
			t.Fatalf("%d: Unfinished %v", n, r.Unfinished())
		}
	}
}

func TestContentLeft(t *testing.T) {
	stream := write(t, named("a", "abc"), named("b", "def"))
	stream = append(stream, make([]byte, 100<<10)...)
	r := NewReader(bytes.NewReader(stream), Options{})
	for range 2 {
		if _, err := r.Next(); err != nil {
			t.Fatal(err)
		}
		if _, err := r.Next(); err != ErrContentLeft {
			t.Fatal(err)
		}
		r.Read(make([]byte, 1))
		if _, err := r.Next(); err != ErrContentLeft {
			t.Fatal(err)
		}
		if b, err := io.ReadAll(r); err != nil || len(b) != 2 {
			t.Fatal(b, err)
		}
	}
	r.Next()
	if _, err := r.Next(); err != ErrContentLeft {
		t.Fatal("trailing bytes", err)
	}
	io.Copy(io.Discard, r)
	if _, err := r.Next(); err != io.EOF {
		t.Fatal(err)
	}
}

func TestReadErrors(t *testing.T) {
	broken := errors.New("broken")
	stream := write(t, named("a", strings.Repeat("abc", 1000)), file{Header: tar.Header{Name: strings.Repeat("b", 300)}})
	stream = append(stream, make([]byte, 100<<10)...)
	for n := 0; n < len(stream); n += 128 {
		for _, accept := range []bool{false, true} {
			in := &failsOnce{bytes.NewReader(stream[:n]), broken}
			_, _, err := split(t, NewReader(in, Options{AcceptUnfinished: accept}))
			if err != broken {
				t.Fatalf("%d, accept %v: %v", n, accept, err)
			}
		}
	}
}

// failsOnce fails before it says io.EOF.
type failsOnce struct {
	r   io.Reader
	err error
}

func (f *failsOnce) Read(p []byte) (n int, err error) {
	if n, err = f.r.Read(p); err == io.EOF {
		err, f.err = f.err, io.EOF
	}
	return n, err
}

// The end of a compressed stream that was cut short is an end that can be
// accepted.
func TestUnfinishedSource(t *testing.T) {
	stream := write(t, named("a", strings.Repeat("abc", 1000)), named("b", "def"))
	for n := range stream {
		cut := &UnfinishedError{Offset: int64(n), Compressed: 7}
		in := func() io.Reader { return io.MultiReader(bytes.NewReader(stream[:n]), iotest.ErrReader(cut)) }
		if _, _, err := split(t, NewReader(in(), Options{})); err != cut {
			t.Fatalf("%d: %v", n, err)
		}
		r := NewReader(in(), Options{AcceptUnfinished: true})
		_, joined, err := split(t, r)
		if err != nil || !bytes.Equal(joined, stream[:n]) {
			t.Fatalf("%d: %v", n, err)
		}
		if !errors.Is(r.Unfinished(), ErrUnfinished) {
			t.Fatalf("%d: Unfinished %v", n, r.Unfinished())
		}
	}
}

func TestReadsOfAnySize(t *testing.T) {
	stream := write(t, named("a", strings.Repeat("abc", 1000)), named("b", "def"))
	for _, r := range []io.Reader{
		iotest.OneByteReader(bytes.NewReader(stream)),
		iotest.DataErrReader(bytes.NewReader(stream)),
		iotest.TimeoutReader(bytes.NewReader(stream)), // fails at its second read
	} {
		_, joined, err := split(t, NewReader(r, Options{}))
		if !bytes.Equal(joined, stream) && err != iotest.ErrTimeout {
			t.Error(err)
		}
	}
}

// Kinds are on disk.
func TestKindsNeverChange(t *testing.T) {
	if Bytes != 0 || Entry != 1 {
		t.Error("the numbers of kinds have changed")
	}
}

func TestNoAllocationPerMember(t *testing.T) {
	var files []file
	for i := range 1000 {
		files = append(files, named(fmt.Sprint("file", i), "content"))
	}
	stream := write(t, files...)
	buf := make([]byte, 1<<10)
	allocs := testing.AllocsPerRun(3, func() {
		r := NewReader(bytes.NewReader(stream), Options{})
		for {
			if _, err := r.Next(); err != nil {
				return
			}
			for {
				if _, err := r.Read(buf); err != nil {
					break
				}
			}
		}
	})
	if allocs > 50 {
		t.Errorf("%v allocations for 1000 members", allocs)
	}
}
