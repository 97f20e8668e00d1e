package main

import (
	"archive/tar"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// falseLine is a label that looks like more lines than it is: whoever holds a key can write any.
const falseLine = "beds\nFALSE  20260314t0203z-aaaa: seedbank\r\n\tFALSE\u2028FALSE\x1b[2K\u202e"

// TestLabelsMakeNoLines: no label of a capture, a volume, a member, a mark or a writer makes a line of
// its own, or more than it may, in what any command prints.
func TestLabelsMakeNoLines(t *testing.T) {
	b := newBench(t)
	ids := hostileCaptures(t, b)
	rows := [][]string{
		{"list"}, {"list", "--name", falseLine}, {"list", "--host", falseLine}, {"list", "--name", "none"}, {"list", "--retired"}, {"list", "--writers"},
		{"show", ids[0]}, {"show", ids[0], "--launch"}, {"show", "--head"}, {"show", falseLine + "@latest"}, {"show", falseLine + "@" + falseLine}, {"show", falseLine},
		{"contents", ids[0]}, {"contents", ids[0], falseLine}, {"contents", ids[0], "--volume", falseLine}, {"contents", ids[0], "--volume", "none"},
		{"compare", ids[0], ids[1]}, {"usage"}, {"verify"}, {"verify", "--full"}, {"verify", falseLine},
		{"restore", ids[0], "--into", b.path("into"), "--volume", falseLine}, {"restore", ids[0], "--into", b.path("both")},
		{"restore", ids[0], "--tar", b.path("out.tar")}, {"restore", ids[0], "--into", b.path("into"), "--volume", falseLine, "--replace", "--dry-run"},
		{"restore", ids[0], "--into", b.path("none"), "--only", falseLine}, {"restore", ids[0], "--container", "beds"},
		{"rehearse", ids[0], "--data-only"}, {"rehearse", "--newest", "--data-only"}, {"kept", b.path("into")},
		{"amend", ids[0], "--note", falseLine, "--label", "shelf=" + falseLine}, {"hold", ids[0], "--note", falseLine}, {"release", ids[0]},
		{"retire", "--last", "1", "--dry-run"}, {"retire", "--days", "1", "--name", falseLine, "--dry-run"}, {"retire", "--last", "1", "--name", "none"},
		{"retire", ids[1], "--note", falseLine}, {"retire", "--undo", ids[1]}, {"reclaim", "--dry-run"}, {"repair"},
		{"capture", "--name", falseLine, "--version", falseLine, falseLine + "=" + b.path("seedbank")}, {"capture", b.path(falseLine)},
		{"upgrade", "--container", "beds", "--to", falseLine}, {"schedule", "--name", falseLine, b.path("seedbank")},
		{"passphrase", "add", "--key-file", b.path("other"), "--label", "beds"}, {"passphrase", "list"}, {"passphrase", "remove", falseLine},
		{"find", "*"}, {"find", "*", "--name", falseLine}, {"find", falseLine}, {"compare", ids[0], ids[1], "--text", falseLine},
		{"config"}, {"settings"}, {"settings", "--parity", falseLine}, {"serve", "--listen", falseLine}, {"complete", "--", "show", ""}, {"complete", "--", "contents", ids[0], ""}, {"complete", "--", "list", "--name", ""},
		{"replicate", "--to", b.path("none"), falseLine}, {"replicate", "--to", b.path(falseLine)},
		{"status"}, {"resume"}, {"help", falseLine}, {falseLine}, {"setup", "--repository", b.path("repo")}, {"version"},
	}
	for _, c := range newApp(nil, io.Discard, io.Discard, os.Getenv).commands() {
		asked := func(args []string) bool { return args[0] == c.Name }
		if c.Name != "demo" && !slices.ContainsFunc(rows, asked) { // a demo has labels of its own
			t.Errorf("no row of %s", c.Name)
		}
	}
	for _, args := range rows {
		for _, more := range [][]string{nil, {"--json"}} {
			b.run(t.Context(), append(args, more...)...)
			checkLines(t, args, b.stdout.String(), false)
			checkLines(t, args, b.stderr.String(), more != nil)
		}
	}
}

// checkLines makes sure that text has no line that a label began, and with asJSON that each is JSON.
func checkLines(t *testing.T, args []string, text string, asJSON bool) {
	t.Helper()
	if strings.ContainsAny(text, "\r\x1b\u2028\u202e") {
		t.Errorf("kist %q: it may steer a terminal:\n%q", args, text)
	}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(strings.TrimLeft(line, " \t"), "FALSE") {
			t.Errorf("kist %q: a label made a line:\n%s", args, text)
		}
		if v := map[string]any(nil); asJSON && (json.Unmarshal([]byte(line), &v) != nil || v["warning"] == nil && v["error"] == nil) {
			t.Errorf("kist %q --json: neither a warning nor an error: %q", args, line)
		}
	}
}

// hostileCaptures puts captures with such labels, and marks and a lease of a writer, into the repository.
func hostileCaptures(t *testing.T, b *bench) (ids []string) {
	t.Helper()
	key, err := os.Open(b.path("key"))
	if err != nil {
		t.Fatal(err)
	}
	defer key.Close()
	secret, err := crypt.ReadKeyFile(key)
	if err != nil {
		t.Fatal(err)
	}
	folder, err := storage.OpenFolder(b.path("repo"))
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	r, err := store.Open(t.Context(), folder, secret, store.OpenOptions{State: b.known})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for i := range 3 {
		c, err := r.Capture(t.Context(), store.CaptureOptions{
			Name: falseLine, Version: falseLine, Note: falseLine, Host: falseLine, Taken: time.Date(2026, 3, 14, 2, 3, i, 0, time.UTC),
			Labels:  map[string]string{falseLine: falseLine, "container": falseLine, "image": falseLine, "image-tag": falseLine, "image-digest": falseLine, store.LabelLive: falseLine},
			Volumes: []store.VolumeInput{hostileVolume(t, falseLine, i), hostileVolume(t, "data", i)},
		})
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, c.ID)
	}
	marked := store.MarkOptions{Host: falseLine, Reason: falseLine}
	if err := r.Hold(t.Context(), ids[:1], marked); err != nil {
		t.Fatal(err)
	}
	if err := r.Retire(t.Context(), ids[2:], marked); err != nil {
		t.Fatal(err)
	}
	if err := r.NoteRehearsal(t.Context(), ids[0], store.Rehearsal{Outcome: store.RehearsedDown, Fault: falseLine, Host: falseLine, Checked: []string{falseLine}}); err != nil {
		t.Fatal(err)
	}
	return ids
}

func hostileVolume(t *testing.T, name string, n int) store.VolumeInput {
	var buf bytes.Buffer
	w := tar.NewWriter(&buf)
	for _, h := range []*tar.Header{
		{Name: falseLine, Uname: falseLine, Gname: falseLine, Mode: 0o644, Size: int64(n), Format: tar.FormatPAX},
		{Name: falseLine + "-link", Linkname: falseLine, Typeflag: tar.TypeSymlink, Format: tar.FormatPAX},
	} {
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(make([]byte, h.Size)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return store.VolumeInput{Name: name, MountPath: falseLine, Source: falseLine, Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(buf.Bytes())), nil
	}}
}
