package serve

import (
	"archive/tar"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

// TestPictureType: what begins as a picture is one, and no text is, whatever it draws.
func TestPictureType(t *testing.T) {
	for in, want := range map[string]string{
		pngOf(): "image/png", "\xff\xd8\xff\xe0": "image/jpeg", "GIF87a": "image/gif", "GIF89a": "image/gif", "RIFF\x04\x00\x00\x00WEBPVP8 ": "image/webp",
		"RIFF\x04\x00\x00\x00WAVEfmt ": "", "RIFF\x04\x00\x00\x00WEB": "", "<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>": "",
		"<?xml version='1.0'?><svg/>": "", "\n<svg/>": "", "<html>": "", "": "", "BM": "", "%PDF-1.7": "", "\x89PNG\r\n": "",
	} {
		if got := pictureType([]byte(in)); got != want {
			t.Errorf("%.20q: %q", in, got)
		}
	}
}

// TestLargePicture: one that is too large is neither offered nor read.
func TestLargePicture(t *testing.T) {
	w := newWorld(t)
	magic := "\x89PNG\r\n\x1a\n"
	c := w.capture("4.3.0", tarOf(t, map[string]string{
		"most.png": magic + strings.Repeat("\x00", mostPicture-len(magic)), "more.png": magic + strings.Repeat("\x00", mostPicture-len(magic)+1),
	}))
	w.server.library.forget()
	for name, shown := range map[string]bool{"most.png": true, "more.png": false} {
		at := ref{c.ID, c.Volumes[0].Name, name}
		if status, _, _ := w.get(at.Picture()); status == http.StatusOK != shown {
			t.Errorf("%s: %d", name, status)
		}
		for _, as := range []string{"", "picture"} {
			if _, _, body := w.get(at.As(as)); strings.Contains(body, "<img") != shown || strings.Contains(body, "as a picture") != shown {
				t.Errorf("%s as %q: a picture is shown or offered", name, as)
			}
		}
	}
}

// TestTarOfOneFolder: what only begins alike is not in it.
func TestTarOfOneFolder(t *testing.T) {
	w := newWorld(t)
	c := w.capture("4.3.0", tarOf(t, map[string]string{"config/a": "", "config2/x": "", "config.toml": "", "other/config/b": ""}))
	w.server.library.forget()
	_, _, body := w.get(ref{c.ID, c.Volumes[0].Name, "config"}.Tar())
	r := tar.NewReader(strings.NewReader(body))
	m, err := r.Next()
	if err != nil || m.Name != "config/a" {
		t.Fatalf("%v, %v", m, err)
	}
	if m, err := r.Next(); err != io.EOF {
		t.Errorf("%v, %v", m, err)
	}
}

// TestRetiredFolders: file managers see no retired captures.
func TestRetiredFolders(t *testing.T) {
	w := newWorld(t)
	if err := w.r.Retire(t.Context(), []string{w.was.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	w.server.library.forget()
	all := w.list("/dav/seedbank/")
	if all["/dav/seedbank/"+w.is.ID+"/"] != "folder" || len(all) != 2 {
		t.Errorf("%q", all)
	}
	if status, _, _ := w.dav("PROPFIND", "/dav/seedbank/"+w.was.ID+"/", nil); status != http.StatusNotFound {
		t.Errorf("a retired one: %d", status)
	}
}

// TestMovedMeanwhile: what was moved is asked for once more, unless something has gone out.
func TestMovedMeanwhile(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct {
		what    string
		fails   int
		begins  bool
		tried   int
		status  int
		aborted bool
	}{
		{"once", 1, false, 2, 200, false}, {"twice", 2, false, 2, 503, false}, {"under way", 1, true, 1, 200, true},
	} {
		tried := 0
		h := w.server.answering(func(a *answer, _ *http.Request) error {
			if tried++; tried <= c.fails {
				a.Header().Set("Content-Length", "7")
				a.Header().Set("Content-Disposition", "attachment")
				if c.begins {
					fmt.Fprint(a, "x")
				}
				return store.ErrMoved
			}
			a.Header().Del("Content-Length")
			return nil
		})
		out := httptest.NewRecorder()
		aborted := func() (aborted bool) {
			defer func() { aborted = recover() == http.ErrAbortHandler }()
			h.ServeHTTP(out, httptest.NewRequest("GET", "/", nil))
			return false
		}()
		if tried != c.tried || out.Code != c.status || aborted != c.aborted {
			t.Errorf("%s: tried %d times: %d, aborted: %t", c.what, tried, out.Code, aborted)
		}
		if out.Code != 200 && (out.Header().Get("Content-Length") != "" || out.Header().Get("Content-Disposition") != "") {
			t.Errorf("%s: the error has %v", c.what, out.Header())
		}
	}
}

// TestFailedListing: a folder that can't be read is an error, and no empty folder.
func TestFailedListing(t *testing.T) {
	w := newWorld(t)
	broken := errors.New("the share went away")
	tree := &davTree{library: w.server.library, known: map[string]*davInfo{"/": {name: "kist", folder: true}}, failed: broken}
	r := httptest.NewRequest("PROPFIND", "/dav/", nil)
	r.Header.Set("Depth", "0")
	if err := tree.propfind(&answer{ResponseWriter: httptest.NewRecorder()}, r); err != broken {
		t.Errorf("%v", err)
	}
}

// TestEscaped: what steers a terminal or a page is escaped wherever names and texts are shown.
func TestEscaped(t *testing.T) {
	v := &textView{}
	v.add(textdiff.Compare([]byte("same \x1b[31m\nwas \x1b[31m\n"), []byte("same \x1b[31m\nis \u202e\n")))
	for _, row := range v.Hunks[0].Rows {
		if strings.ContainsAny(row.Was+row.Is, "\x1b\u202e") {
			t.Errorf("%+v", row)
		}
	}
	for _, c := range (ref{"c", "v\x1b", "a\x1b/b\u202e/c\x1b"}).crumbs() {
		if strings.ContainsAny(c.Text, "\x1b\u202e") {
			t.Errorf("%q", c.Text)
		}
	}
	w := newWorld(t)
	for _, path := range []string{
		"/text?" + url.Values{"was": {w.was.ID}, "is": {w.is.ID}, "v": {w.is.Volumes[0].Name}, "p": {"config/" + hostile + ".md"}}.Encode(),
		w.in("x\x1b/y").Folder(), w.in("text\x1b").From("text", -5), w.in("config/seedbank.toml").From("text", -5),
	} {
		if _, _, body := w.get(path); strings.ContainsAny(body, "\x1b\u202e") {
			t.Errorf("%s: shown as it is", path)
		}
	}
	if status, _, _ := w.get(w.in("config/seedbank.toml").From("text", -5)); status != 200 {
		t.Errorf("from before the beginning: %d", status)
	}
}

// TestModified: times that HTTP can't tell are left out (RFC 9110, 5.6.7: years of four digits).
func TestModified(t *testing.T) {
	for in, told := range map[time.Time]bool{
		time.Unix(0, 0): false, time.Unix(-1, 0): false, {}: false, time.Unix(1, 0): true,
		time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC): true, time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC): false,
	} {
		if got := modified(in); got.IsZero() == told {
			t.Errorf("%v: %v", in, got)
		}
	}
}
