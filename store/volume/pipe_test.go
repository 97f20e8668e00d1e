package volume_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store/volume"
	"pgregory.net/rapid"
)

// writeHoles writes b to a pipe: stretches of zeros as holes, others in pieces.
func writeHoles(w *volume.PipeWriter, b []byte, random *rand.Rand) error {
	for len(b) > 0 {
		n := 1 + random.IntN(min(len(b), 100_000))
		zeros := len(b) - len(bytes.TrimLeft(b, "\x00"))
		var err error
		if zeros > 0 {
			n = min(zeros, 1+random.IntN(1<<20))
			err = w.WriteHole(int64(n))
		} else {
			_, err = w.Write(b[:n])
		}
		if err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

// TestPipe reads what was written, whether holes are asked for or not.
func TestPipe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		var all []byte
		for range rapid.IntRange(0, 5).Draw(t, "stretches") {
			all = append(all, make([]byte, random.IntN(200_000))...)
			all = append(all, bytes.Repeat([]byte{1}, random.IntN(200_000))...)
		}
		r, w := volume.Pipe()
		go func() { w.CloseWithError(writeHoles(w, all, random)) }()
		var got []byte
		buf := make([]byte, rapid.IntRange(1, 100_000).Draw(t, "buffer"))
		for ask := rapid.Bool().Draw(t, "ask"); ; {
			if n := r.Hole(); n > 0 && ask {
				n = max(n/2, 1)
				r.Skip(n)
				got = append(got, make([]byte, n)...)
				continue
			}
			n, err := r.Read(buf)
			got = append(got, buf[:n]...)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(got, all) {
			t.Fatalf("%d bytes read, others than the %d written", len(got), len(all))
		}
	})
}

// TestPipeClosed passes errors on, to both sides.
func TestPipeClosed(t *testing.T) {
	failed := errors.New("the shelf is full")
	r, w := volume.Pipe()
	w.CloseWithError(failed)
	if _, err := r.Read(make([]byte, 1)); err != failed {
		t.Errorf("the reader got %v", err)
	}
	if n := r.Hole(); n != 0 {
		t.Errorf("a hole of %d bytes behind the end", n)
	}
	r, w = volume.Pipe()
	r.CloseWithError(failed)
	if err := w.WriteHole(1 << 40); err != failed {
		t.Errorf("the writer got %v", err)
	}
	r, w = volume.Pipe()
	go r.CloseWithError(nil)
	if _, err := w.Write([]byte("bean")); err == nil {
		t.Error("written to nobody")
	}
}

// TestExtractHoles restores members from a stream that tells of its holes, and compares with one that
// does not.
func TestExtractHoles(t *testing.T) {
	for seed := range uint64(8) {
		random := rand.New(rand.NewPCG(seed, 3))
		var stream bytes.Buffer
		out := tar.NewWriter(&stream)
		contents := make(map[string][]byte)
		for _, name := range []string{"a", "b", "c", "d"} {
			var content []byte
			for range random.IntN(6) {
				content = append(content, make([]byte, random.IntN(700_000))...)
				content = append(content, bytes.Repeat([]byte{7}, random.IntN(100_000))...)
			}
			content = append(content, make([]byte, random.IntN(2)*300_000)...)
			h := &tar.Header{Name: name, Mode: 0o644, Size: int64(len(content)), Format: tar.FormatPAX}
			if name == "b" { // one that package volume leaves to archive/tar
				h.PAXRecords = map[string]string{"KIST.test": "bean"}
			}
			must(t, out.WriteHeader(h))
			_, err := out.Write(content)
			must(t, err)
			contents[name] = content
		}
		must(t, out.Close())
		for _, o := range []volume.ExtractOptions{{}, {WriteZeros: true}, {Only: func(path string) bool { return path == "c" }}} {
			r, w := volume.Pipe()
			go func() { w.CloseWithError(writeHoles(w, stream.Bytes(), random)) }()
			dir := filepath.Join(t.TempDir(), "new")
			report, err := volume.Extract(context.Background(), r, dir, o)
			must(t, err)
			if o.Only == nil && report.Members != len(contents) {
				t.Errorf("%d members", report.Members)
			}
			for name, want := range contents {
				got, err := os.ReadFile(filepath.Join(dir, name))
				if o.Only != nil && !o.Only(name) {
					continue
				}
				must(t, err)
				if !bytes.Equal(got, want) {
					t.Errorf("seed %d, %+v: %s has other bytes", seed, o, name)
				}
			}
		}
	}
}

// TestExtractHuge restores a file that nobody could write to its end, and passes over another.
func TestExtractHuge(t *testing.T) {
	const size = 1 << 43
	r, w := volume.Pipe()
	go func() {
		var err error
		for _, name := range []string{"shelf", "other"} {
			var head bytes.Buffer
			err = errors.Join(err, tar.NewWriter(&head).WriteHeader(&tar.Header{Name: name, Mode: 0o600, Size: size, Format: tar.FormatPAX}))
			_, err1 := w.Write(head.Bytes())
			err = errors.Join(err, err1, w.WriteHole(size-512))
			_, err1 = w.Write(bytes.Repeat([]byte("bean"), 128))
			err = errors.Join(err, err1)
		}
		_, err1 := w.Write(volume.EndMarker())
		w.CloseWithError(errors.Join(err, err1))
	}()
	dir := filepath.Join(t.TempDir(), "new")
	report, err := volume.Extract(context.Background(), r, dir, volume.ExtractOptions{Only: func(path string) bool { return path == "shelf" }})
	must(t, err)
	if report.Bytes != size {
		t.Errorf("%d bytes restored", report.Bytes)
	}
	f, err := os.Open(filepath.Join(dir, "shelf"))
	must(t, err)
	defer f.Close()
	b := make([]byte, 516)
	_, err = f.ReadAt(b, size-516)
	must(t, err)
	if want := append(make([]byte, 4), bytes.Repeat([]byte("bean"), 128)...); !bytes.Equal(b, want) {
		t.Errorf("it ends with %q", b)
	}
}
