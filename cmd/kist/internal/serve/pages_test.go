package serve

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestPages: each page answers, and shows names as text.
func TestPages(t *testing.T) {
	w := newWorld(t)
	compared := "/compare?" + url.Values{"was": {w.was.ID}, "is": {w.is.ID}}.Encode()
	text := "/text?" + url.Values{"was": {w.was.ID}, "is": {w.is.ID}, "v": {w.is.Volumes[0].Name}, "p": {"config/seedbank.toml"}}.Encode()
	for _, c := range []struct {
		path   string
		status int
		has    string
	}{
		{"/", 200, w.is.ID},
		{"/?name=nobody", 200, "There are none."},
		{w.in("").CaptureLink(), 200, "4.2.0"},
		{w.in("").Folder(), 200, "large.bin"},
		{w.in("").Behind("large.bin"), 200, "notes.html"},
		{w.in("").Behind("zzz"), 200, "No name is behind"},
		{w.in("config").Folder(), 200, "seedbank.toml"},
		{w.in("folder-link").Folder(), 200, "seedbank.toml"},
		{w.in("caf\xe9").Folder(), 200, `\xff.txt`},
		{w.in("caf\xe9/\xff.txt").Member(), 200, "not UTF-8"},
		{"/folder?" + url.Values{"r": {w.in("caf\xe9").Field()}, "after": {"a"}}.Encode(), 200, `\xff.txt`},
		{"/folder?" + url.Values{"r": {w.in("caf\xe9").Field()}, "after": {"a/b"}}.Encode(), 404, ""},
		{w.in("config/seedbank.toml").Member(), 200, "barley = 2"},
		{w.in("config/seedbank.toml").As("hex"), 200, "00000010"},
		{w.in("config/" + hostile + ".md").Member(), 200, `\u202e\x1b[31m`},
		{w.in("a b&c=d#e?f%2f.txt").Member(), 200, "odd"},
		{w.in(strings.Repeat("x", 250)).Member(), 200, "long"},
		{w.in("large.bin").Member(), 200, "00000ff0"},
		{w.in("large.bin").From("hex", 1<<20), 200, "00100000"},
		{w.in("large.bin").Member(), 200, "Bytes 0 to 4,095 of 5,242,880,"},
		{w.in("large.bin").Member(), 200, "5.0 MiB (5,242,880 bytes)"},
		{w.in("config/seedbank.toml").Member(), 200, "<dd>35 bytes</dd>"},
		{w.in("large.bin").From("hex", 5242879), 200, "Bytes 5,242,864 to 5,242,879 of"},
		{w.in("large.bin").From("hex", 1<<40), 200, "Bytes 5,238,784 to 5,242,879 of"},
		{w.in("large.bin").From("hex", -1), 200, "00000000"},
		{w.in("lot.png").Member(), 200, "<img"},
		{w.in("notes.html").Member(), 200, "&lt;script&gt;"},
		{w.in("link").Member(), 200, "barley = 2"},
		{w.in("out").Member(), 200, "leads to nothing"},
		{w.in("round").Member(), 200, "leads to nothing"},
		{w.in("pipe").Member(), 200, "pipe"},
		{w.in("folder-link").Member(), 303, ""},
		{w.in("config").Member(), 303, ""},
		{w.in("pipe").Download(), 415, ""},
		{w.in("notes.html").Picture(), 415, ""},
		{w.in("large.bin").Picture(), 415, ""},
		{w.in("nothing").Member(), 404, "Not there"},
		{w.in("../outside.txt").Member(), 404, ""},
		{w.in("../../../etc/passwd").Download(), 404, ""},
		{w.in("/etc/passwd").Download(), 404, ""},
		{w.in("config/../large.bin").Download(), 404, ""},
		{w.in("large.bin\x00").Member(), 404, ""},
		{w.in(strings.Repeat("y/", 9000) + "y").Member(), 404, ""},
		{w.in("nothing").Tar(), 404, ""},
		{ref{"20260314t0203z-none", "data", ""}.Folder(), 404, ""},
		{ref{w.is.ID, "other", ""}.Folder(), 404, ""},
		{"/folder", 404, ""},
		{"/nothing", 404, "There is no such page."},
		{"/compare", 200, "<select"},
		{compared, 200, "how the text differs"},
		{compared + "&only=%5B", 400, "pattern"},
		{compared + "&only=*.toml", 200, "0 members were added, 1 changed"},
		{text, 200, "bean = 2"},
		{"/find", 200, "<form"},
		{"/find?q=seedbank.toml", 200, "2 versions"},
		{"/find?q=%5B", 400, "pattern"},
		{"/find?q=nothing", 200, "0 members were found in 2 captures"},
		{"/costs", 200, "Stored against captured"},
		{"/style.css", 200, "--paper"},
		{"/icon.svg", 200, "<svg"},
	} {
		status, h, body := w.get(c.path)
		if status != c.status || !strings.Contains(body, c.has) {
			t.Errorf("%s: %d, not %d, and %q in\n%s", c.path, status, c.status, c.has, body)
		}
		for _, never := range []string{"<script", "ZgotmplZ", "\u202e", "\x1b", " style=", "javascript:"} {
			if strings.Contains(body, never) && c.path != "/style.css" {
				t.Errorf("%s: %q is on the page", c.path, never)
			}
		}
		if got := h.Get("Content-Type"); status != 303 && !strings.HasPrefix(c.path, "/style") && !strings.HasPrefix(c.path, "/icon") && got != "text/html; charset=utf-8" {
			t.Errorf("%s: %s", c.path, got)
		}
	}
}

// TestDownloads: what is sent is what was captured, for keeping and never for showing.
func TestDownloads(t *testing.T) {
	w := newWorld(t)
	for name, want := range w.contents {
		status, h, body := w.get(w.in(name).Download())
		if status != 200 || body != want {
			t.Errorf("%q: %d, %d bytes, not %d", name, status, len(body), len(want))
		}
		if h.Get("Content-Type") != "application/octet-stream" || !strings.HasPrefix(h.Get("Content-Disposition"), "attachment; filename") || h.Get("Content-Security-Policy") != sentPolicy {
			t.Errorf("%q: %v", name, h)
		}
		if head, h, _ := w.do("HEAD", w.in(name).Download(), func(r *http.Request) { r.AddCookie(w.cookie()) }); head != 200 || h.Get("Content-Length") != fmt.Sprint(len(want)) {
			t.Errorf("%q: HEAD: %d, %v", name, head, h)
		}
	}
	status, _, body := w.do("GET", w.in("large.bin").Download(), func(r *http.Request) {
		r.AddCookie(w.cookie())
		r.Header.Set("Range", "bytes=3000000-3000099")
	})
	if status != 206 || body != w.contents["large.bin"][3000000:3000100] {
		t.Errorf("a part: %d, %d bytes", status, len(body))
	}
	status, h, body := w.get(w.in("lot.png").Picture())
	if status != 200 || body != w.contents["lot.png"] || h.Get("Content-Type") != "image/png" || h.Get("Content-Security-Policy") != sentPolicy {
		t.Errorf("the picture: %d, %v", status, h)
	}
}

// TestTar: a volume comes as it was captured, and a folder with what is in it, as GNU tar reads it.
func TestTar(t *testing.T) {
	w := newWorld(t)
	status, h, body := w.get(w.in("").Tar())
	if status != 200 || body != string(w.stream) || h.Get("Content-Length") != fmt.Sprint(len(w.stream)) {
		t.Errorf("%d: %d bytes, not %d: %v", status, len(body), len(w.stream), h)
	}
	status, _, body = w.get(w.in("config").Tar())
	found := make(map[string]string)
	for r := tar.NewReader(strings.NewReader(body)); ; {
		m, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		found[m.Name] = string(content)
	}
	if status != 200 || len(found) != 2 || found["config/seedbank.toml"] != w.contents["config/seedbank.toml"] {
		t.Errorf("%d: %q", status, found)
	}
	if _, err := exec.LookPath("tar"); err != nil {
		t.Skip(err)
	}
	file := filepath.Join(t.TempDir(), "config.tar")
	if err := os.WriteFile(file, []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command("tar", "-tf", file).CombinedOutput(); err != nil || strings.Count(string(said), "\n") != 2 {
		t.Errorf("%s, %v", said, err)
	}
}

// TestDamaged: damage is told by the status, or the answer is broken off; it never ends as if it were whole.
func TestDamaged(t *testing.T) {
	for _, c := range []struct {
		what   string
		from   int64 // where the slab is harmed
		path   string
		link   func(ref) string
		status int // 0: it is broken off
	}{
		{"the beginning of a download", 200 << 10, "large.bin", ref.Download, 500},
		{"the end of a download", 9 << 19, "large.bin", ref.Download, 0},
		{"the beginning of a volume", 200 << 10, "", ref.Tar, 500},
		{"the end of a volume", 9 << 19, "", ref.Tar, 0},
		{"the end of a folder", 9 << 19, "big", ref.Tar, 0},
		{"a page", 200 << 10, "large.bin", func(r ref) string { return r.From("hex", 100<<10) }, 500},
	} {
		w := newWorld(t) // another one each time: it keeps what it read
		if c.path == "big" {
			w.is = w.capture("4.3.0", tarOf(t, map[string]string{"big/large.bin": noise(2, 5<<20)}))
		}
		w.disk.from.Store(c.from)
		answer, err := w.browser.Get("http://" + w.addr + c.link(w.in(c.path)))
		if err != nil {
			t.Fatal(err)
		}
		n, err := io.Copy(io.Discard, answer.Body)
		answer.Body.Close()
		if c.status == 0 && (err == nil || answer.StatusCode != 200) {
			t.Errorf("%s: %d, %d bytes, and no error", c.what, answer.StatusCode, n)
		}
		if c.status != 0 && (err != nil || answer.StatusCode != c.status || answer.Header.Get("Content-Disposition") != "") {
			t.Errorf("%s: %d, %v, %v", c.what, answer.StatusCode, err, answer.Header)
		}
		w.mu.Lock()
		if c.status == 0 != (len(w.failed) == 1 && errors.Is(w.failed[0], store.ErrDamaged)) {
			t.Errorf("%s: told: %v", c.what, w.failed)
		}
		w.mu.Unlock()
	}
}

// TestMissingIsTold: who looks at the list, or finds, sees that a capture is gone that others name.
func TestMissingIsTold(t *testing.T) {
	w := newWorld(t)
	w.capture("4.3.0", w.stream)
	w.server.library.forget()
	if _, _, body := w.get("/"); strings.Contains(body, "missing") {
		t.Errorf("something is missing: %s", body)
	}
	all, err := w.disk.List(t.Context(), "captures")
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range all {
		if strings.HasPrefix(o.Name, "captures/"+w.was.ID) {
			if err := w.disk.Remove(t.Context(), o.Name); err != nil {
				t.Fatal(err)
			}
		}
	}
	w.server.library.forget()
	for _, path := range []string{"/", "/find?q=x"} {
		if status, _, body := w.get(path); status != 200 || !strings.Contains(body, "1 capture that was here is missing, or exchanged for others: "+w.was.ID) {
			t.Errorf("%s: %d: %s", path, status, body)
		}
	}
}

// TestFileName: names of downloads lead nowhere, and show as what they are.
func TestFileName(t *testing.T) {
	for in, want := range map[string]string{
		"seedbank.toml": "seedbank.toml", "../../x": "_.._x", "..": "member", "": "member", ".profile": "profile",
		"a\x00\x1b\u202eb": "a___b", `c:\x"y`: "c__x_y", "\xff": "_", "Käfer.txt": "Käfer.txt", strings.Repeat("ä", 150): strings.Repeat("ä", 100),
	} {
		if got := fileName(in); got != want {
			t.Errorf("%q: %q, not %q", in, got, want)
		}
	}
}

// TestSegments: different names give different folders, which are none of those that lead elsewhere.
func TestSegments(t *testing.T) {
	seen := make(map[string]string)
	for _, name := range []string{"", ".", "..", "...", "%2E", "%", "%25", "a/b", "a%2Fb", `a\b`, "a%5Cb", "a\x00", "seedbank", "%252E"} {
		s := segment(name)
		if other, ok := seen[s]; ok || s == "" || s == "." || s == ".." || strings.ContainsAny(s, "/\\\x00") {
			t.Errorf("%q: %q, as %q", name, s, other)
		}
		seen[s] = name
	}
}

// FuzzShownText: whatever a member holds, what is shown of it steers nothing and has as many lines.
func FuzzShownText(f *testing.F) {
	for _, s := range []string{"", "bean\n", "a\r\nb", "\x1b[31m\u202e", "\xff\xfe\n\n", "tab\there", "\r\r\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		shown := shownText(b)
		if strings.Count(shown, "\n") != bytes.Count(b, []byte("\n")) || strings.ContainsAny(shown, "\r\x1b\x00\u202e") {
			t.Errorf("%q: %q", b, shown)
		}
		var back []byte
		for _, row := range hexRows(b, 0) {
			var line []byte
			if _, err := fmt.Sscanf(strings.ReplaceAll(row.Hex, " ", ""), "%x", &line); err != nil {
				t.Fatal(err)
			}
			back = append(back, line...)
		}
		if sha256.Sum256(back) != sha256.Sum256(b) {
			t.Errorf("%q: in hexadecimal %q", b, back)
		}
	})
}
