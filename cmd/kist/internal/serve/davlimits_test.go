package serve

import (
	"archive/tar"
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// TestPropertyNames: an answer has the names of what is asked for again for each member, with those of their name
// spaces, so that a question has no more of them than any file manager asks for.
func TestPropertyNames(t *testing.T) {
	w := newWorld(t)
	question := func(space string, names ...string) io.ReadCloser {
		props := ""
		for _, name := range names {
			props += "<x:" + name + "/>"
		}
		return io.NopCloser(strings.NewReader(`<?xml version="1.0"?><D:propfind xmlns:D="DAV:" xmlns:x="` + space + `"><D:prop>` + props + `</D:prop></D:propfind>`))
	}
	var long, short []string
	for i := range 90 {
		long = append(long, fmt.Sprintf("n%d%s", i, strings.Repeat("x", 90)))
		short = append(short, fmt.Sprintf("n%d", i))
	}
	for what, c := range map[string]struct {
		body io.ReadCloser
		want int
	}{
		"short names":       {question("DAV:", short...), http.StatusMultiStatus},
		"long names":        {question("DAV:", long...), http.StatusForbidden},
		"a long name space": {question("urn:"+strings.Repeat("x", 100), short...), http.StatusForbidden},
	} {
		if status, _, body := w.dav("PROPFIND", w.davPath(""), func(r *http.Request) { r.Body = c.body }); status != c.want {
			t.Errorf("%s: %d: %s", what, status, body)
		}
	}
}

// TestManyLinks: a folder whose links take too long is not shown with some of them left out.
func TestManyLinks(t *testing.T) {
	w := newWorld(t)
	var b strings.Builder
	out := tar.NewWriter(&b)
	if err := errors.Join(out.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: "lot"}),
		out.WriteHeader(&tar.Header{Typeflag: tar.TypeSymlink, Name: "link", Linkname: "lot"}), out.Close()); err != nil {
		t.Fatal(err)
	}
	c := w.capture("4.5.0", []byte(b.String()))
	w.server.library.forget()
	at := ref{c.ID, c.Volumes[0].Name, ""}
	for _, left := range []time.Duration{linkTime, 0} {
		tree := &davTree{library: w.server.library, known: make(map[string]*davInfo), linkTime: left}
		all, err := tree.listMembers(t.Context(), "/", at)
		if left == 0 && !errors.Is(err, errManyLinks) || left > 0 && (err != nil || len(all) != 2) {
			t.Errorf("%v left: %d members, %v", left, len(all), err)
		}
	}
}

// TestOldHTTP: what has no length is not sent to who could not tell it from a part of it (HTTP/1.0, RFC 1945, 7.2.2).
func TestOldHTTP(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct {
		version, path string
		want          int
	}{
		{"1.1", w.in("config").Tar(), http.StatusOK}, {"1.0", w.in("config").Tar(), http.StatusHTTPVersionNotSupported},
		{"1.0", w.in("").Tar(), http.StatusOK}, // a whole volume has a length
	} {
		conn, err := net.Dial("tcp", w.addr)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(conn, "GET %s HTTP/%s\r\nHost: %s\r\nCookie: %s\r\nConnection: close\r\n\r\n", c.path, c.version, w.addr, w.cookie())
		answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
		conn.Close()
		if err != nil || answer.StatusCode != c.want {
			t.Errorf("HTTP/%s %s: %v, %v", c.version, c.path, answer, err)
		}
		if c.want == http.StatusOK && c.version == "1.0" && answer.ContentLength <= 0 {
			t.Errorf("%s has no length", c.path)
		}
	}
}
