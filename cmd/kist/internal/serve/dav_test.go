package serve

import (
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// multistatus is what PROPFIND gives (RFC 4918, 14.16).
type multistatus struct {
	Responses []struct {
		Href  string `xml:"DAV: href"`
		Props []struct {
			Length string    `xml:"DAV: prop>getcontentlength"`
			At     string    `xml:"DAV: prop>getlastmodified"`
			Folder *struct{} `xml:"DAV: prop>resourcetype>collection"`
			Status string    `xml:"DAV: status"`
		} `xml:"DAV: propstat"`
	} `xml:"DAV: response"`
}

func (w *world) dav(method, path string, change func(*http.Request)) (status int, h http.Header, body string) {
	w.t.Helper()
	return w.do(method, path, func(r *http.Request) {
		r.SetBasicAuth(User, w.server.Password())
		r.Header.Set("Depth", "1")
		if change != nil {
			change(r)
		}
	})
}

func (w *world) davPath(member string) string {
	return (&url.URL{Path: "/dav/seedbank/" + w.is.ID + "/" + segment(w.is.Volumes[0].Name) + "/" + member}).EscapedPath()
}

// list gives what a folder holds by PROPFIND: hrefs, and lengths of files.
func (w *world) list(path string) map[string]string {
	w.t.Helper()
	status, _, body := w.dav("PROPFIND", path, nil)
	var m multistatus
	if err := xml.Unmarshal([]byte(body), &m); status != 207 || err != nil {
		w.t.Fatalf("%s: %d, %v: %s", path, status, err, body)
	}
	all := make(map[string]string)
	for _, r := range m.Responses {
		length := r.Props[0].Length
		if r.Props[0].Folder != nil {
			length = "folder"
		}
		all[r.Href] = length
	}
	return all
}

// TestFolders: names, captures, volumes and members, as RFC 4918 has them, and contents as they were captured.
func TestFolders(t *testing.T) {
	w := newWorld(t)
	volume := strings.TrimSuffix(w.davPath(""), "/")
	for _, c := range []struct{ path, has string }{
		{"/dav/", "/dav/seedbank/"}, {"/dav/seedbank/", "/dav/seedbank/" + w.was.ID + "/"}, {"/dav/seedbank/" + w.is.ID, volume + "/"},
	} {
		if all := w.list(c.path); all[c.has] != "folder" {
			t.Errorf("%s: %q", c.path, all)
		}
	}
	all := w.list(volume)
	want := map[string]string{volume + "/": "folder", volume + "/config/": "folder", volume + "/caf%E9/": "folder", volume + "/link": fmt.Sprint(len(w.contents["config/seedbank.toml"]))}
	for name, content := range w.contents {
		if !strings.Contains(name, "/") {
			want[w.davPath(name)] = fmt.Sprint(len(content))
		}
	}
	for href, length := range want {
		if all[href] != length {
			t.Errorf("%s: %q, not %q", href, all[href], length)
		}
	}
	if len(all) != len(want) {
		t.Errorf("%q, not %q", all, want)
	}
	for name, content := range w.contents {
		status, h, body := w.dav("GET", w.davPath(name), nil)
		if status != 200 || body != content || h.Get("Content-Type") != "application/octet-stream" || h.Get("Content-Security-Policy") != sentPolicy {
			t.Errorf("%q: %d, %d bytes, %v", name, status, len(body), h)
		}
	}
	for path, want := range map[string]int{
		"/dav/": 405, volume: 405, volume + "/nothing": 404, volume + "/out": 404, volume + "/pipe": 404, volume + "/../../../../etc/passwd": 307,
		volume + "/%2e%2e/outside.txt": 404, "/dav/seedbank/" + w.is.ID + "/other/x": 404, "/dav/other/" + w.is.ID + "/": 404, volume + "/large.bin%00": 404,
	} {
		if status, _, _ := w.dav("GET", path, nil); status != want {
			t.Errorf("%s: %d, not %d", path, status, want)
		}
	}
}

// TestFolderTimes: what has no time of its own has that of its capture, or of the newest below it (RFC 4918, 15.7).
func TestFolderTimes(t *testing.T) {
	w := newWorld(t)
	first := time.Date(2026, 2, 14, 2, 3, 4, 0, time.UTC)
	for i := range 2 {
		c, err := w.r.Capture(t.Context(), store.CaptureOptions{
			Name: "mill", Host: "hazel", Taken: first.AddDate(0, i, 0), Volumes: w.volumes(string(tarOf(t, map[string]string{"beds/a": ""}))),
		})
		if err != nil {
			t.Fatal(err)
		}
		w.is = c
	}
	w.server.library.forget()
	at := strings.Replace(strings.TrimSuffix(w.davPath(""), "/"), "seedbank", "mill", 1)
	for path, want := range map[string]time.Time{
		"/dav/": w.newestTaken(), "/dav/mill": w.is.Taken, "/dav/mill/" + w.is.ID: w.is.Taken, at: w.is.Taken, at + "/beds": w.is.Taken,
		at + "/beds/a": time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC),
	} {
		_, _, body := w.dav("PROPFIND", path, nil)
		var m multistatus
		if err := xml.Unmarshal([]byte(body), &m); err != nil || len(m.Responses) == 0 {
			t.Fatalf("%s: %v: %s", path, err, body)
		}
		if got := m.Responses[0].Props[0].At; got != want.UTC().Format(http.TimeFormat) {
			t.Errorf("%s: %s, not %s", path, got, want)
		}
		if strings.Contains(body, " 0001 ") {
			t.Errorf("%s: a year 1 in %s", path, body)
		}
	}
}

// newestTaken gives when the newest capture was taken.
func (w *world) newestTaken() (at time.Time) {
	w.t.Helper()
	all, err := w.r.Captures(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	for _, c := range all {
		if c.Taken.After(at) {
			at = c.Taken
		}
	}
	return at
}

// TestAskedFor: of a member those properties are told that are asked for (RFC 4918, 9.1), and no others.
func TestAskedFor(t *testing.T) {
	w := newWorld(t)
	_, _, body := w.dav("PROPFIND", w.davPath("large.bin"), func(r *http.Request) {
		r.Header.Set("Depth", "0")
		r.Body = io.NopCloser(strings.NewReader(`<?xml version="1.0"?><propfind xmlns="DAV:"><prop><getcontentlength/><quota/></prop></propfind>`))
	})
	var m struct {
		Props []struct {
			Prop struct {
				All []struct{ XMLName xml.Name } `xml:",any"`
			} `xml:"DAV: prop"`
			Status string `xml:"DAV: status"`
		} `xml:"DAV: response>propstat"`
	}
	if err := xml.Unmarshal([]byte(body), &m); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	got := make(map[string]string)
	for _, p := range m.Props {
		for _, one := range p.Prop.All {
			got[one.XMLName.Local] = p.Status
		}
	}
	want := map[string]string{"getcontentlength": "HTTP/1.1 200 OK", "quota": "HTTP/1.1 404 Not Found"}
	if !maps.Equal(got, want) {
		t.Errorf("%q, not %q", got, want)
	}
}

// TestFoldersStay: whatever would change something is refused, and so is all below a folder at once.
func TestFoldersStay(t *testing.T) {
	w := newWorld(t)
	for _, method := range []string{"PUT", "DELETE", "MKCOL", "COPY", "MOVE", "LOCK", "UNLOCK", "PROPPATCH", "POST", "PATCH", "SEARCH"} {
		status, h, _ := w.dav(method, w.davPath("large.bin"), func(r *http.Request) { r.Header.Set("Destination", "http://"+w.addr+w.davPath("x")) })
		if status != 405 || h.Get("Allow") != davMethods {
			t.Errorf("%s: %d, %v", method, status, h)
		}
	}
	if status, h, _ := w.dav("OPTIONS", "/dav/", nil); status != 200 || h.Get("DAV") != "1" || h.Get("Allow") != davMethods {
		t.Errorf("OPTIONS: %d, %v", status, h)
	}
	for _, depth := range []string{"", "infinity", "2"} {
		if status, _, body := w.dav("PROPFIND", "/dav/", func(r *http.Request) { r.Header.Set("Depth", depth) }); status != 403 || !strings.Contains(body, "propfind-finite-depth") {
			t.Errorf("depth %q: %d: %s", depth, status, body)
		}
	}
	tree := &davTree{library: w.server.library, known: make(map[string]*davInfo)}
	for what, err := range map[string]error{
		"mkdir": tree.Mkdir(t.Context(), "/x", 0), "remove": tree.RemoveAll(t.Context(), "/x"), "rename": tree.Rename(t.Context(), "/x", "/y"),
	} {
		if !os.IsPermission(err) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := tree.OpenFile(context.Background(), "/", os.O_RDWR|os.O_CREATE, 0o600); !os.IsPermission(err) {
		t.Errorf("open to write: %v", err)
	}
}

// TestDamagedFolders: a download of a file manager is broken off, too.
func TestDamagedFolders(t *testing.T) {
	w := newWorld(t)
	w.disk.from.Store(9 << 19)
	r, err := http.NewRequest("GET", "http://"+w.addr+w.davPath("large.bin"), nil)
	if err != nil {
		t.Fatal(err)
	}
	r.SetBasicAuth(User, w.server.Password())
	answer, err := w.browser.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if n, err := io.Copy(io.Discard, answer.Body); err == nil {
		t.Errorf("%d bytes, and no error", n)
	}
}

// TestCadaver has a client of others (Debian: cadaver) list and fetch, and try to put.
func TestCadaver(t *testing.T) {
	path, err := exec.LookPath("cadaver")
	if err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatalf("cadaver is missing (Debian: cadaver): %v", err)
		}
		t.Skip(err)
	}
	w := newWorld(t)
	home := t.TempDir()
	host, _, _ := strings.Cut(w.addr, ":")
	if err := os.WriteFile(filepath.Join(home, ".netrc"), []byte("machine "+host+" login "+User+" password "+w.server.Password()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(home, "mine.txt"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "http://"+w.addr+w.davPath(""))
	cmd.Dir, cmd.Env = home, []string{"HOME=" + home, "PATH=" + os.Getenv("PATH"), "TERM=dumb"}
	cmd.Stdin = strings.NewReader("ls\nget large.bin fetched\nput mine.txt\ndelete large.bin\nmkcol x\nquit\n")
	said, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	text := string(said)
	for _, want := range []string{"large.bin", "5242880", "Coll:   config"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in %s", want, text)
		}
	}
	if n := strings.Count(text, "405 Method Not Allowed"); n != 3 {
		t.Errorf("%d of 3 were refused: %s", n, text)
	}
	if got, err := os.ReadFile(filepath.Join(home, "fetched")); err != nil || string(got) != w.contents["large.bin"] {
		t.Errorf("%d bytes, %v", len(got), err)
	}
}
