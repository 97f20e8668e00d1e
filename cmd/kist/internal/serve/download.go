package serve

import (
	"bytes"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// provedFirst is how much of a download is read before anything of it goes out: so much that damage there
// is told by the answer's status, and not by breaking off.
const provedFirst = 1 << 20

// errNoEnd refuses what has no length to who could not tell where it ends from where it broke off: HTTP/1.0 ends such an
// answer by closing the connection (RFC 1945, 7.2.2).
var errNoEnd = &statusError{http.StatusHTTPVersionNotSupported, "A folder is sent by HTTP/1.1 alone: HTTP/1.0 can't tell whether all of it came."}

func (s *Server) download(w *answer, r *http.Request) error {
	at := refOf(r.URL.Query())
	return s.send(w, r, at)
}

// send sends what a member holds, or the part of it that is asked for.
func (s *Server) send(w *answer, r *http.Request, at ref) error {
	c, err := s.openContent(r, at)
	if err != nil {
		return err
	}
	defer c.Close()
	if c.ReaderAt == nil {
		return &statusError{http.StatusUnsupportedMediaType, "It is a " + kindOf(c.info.Mode()) + ", and has no content."}
	}
	if r.Method != http.MethodHead && r.Header.Get("Range") == "" {
		if _, err := readAt(c, make([]byte, min(c.info.Size(), provedFirst)), 0); err != nil {
			return err
		}
	}
	attach(w.Header(), fileName(at.name()))
	reader := &noting{ReadSeeker: c}
	http.ServeContent(w, r, "", modified(c.info.ModTime()), reader)
	return reader.err
}

// modified leaves out times that HTTP can't tell.
func modified(t time.Time) time.Time {
	if t.Unix() <= 0 || t.Year() > 9999 {
		return time.Time{}
	}
	return t
}

// attach has a browser keep an answer as a file, whatever is in it.
func attach(h http.Header, name string) {
	asData(h, "application/octet-stream")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
}

// fileName gives a name for a file that means no folder and shows as what it is.
func fileName(name string) string {
	name = strings.Map(func(r rune) rune {
		if !screen.Visible(r) || strings.ContainsRune(`/\:*?"<>|`, r) {
			return '_'
		}
		return r
	}, screen.Valid(name))
	if name = strings.TrimLeft(name, ". "); name == "" {
		return "member"
	}
	return name[:cut(name, 200)]
}

// cut gives where text is cut off that has more than so many bytes.
func cut(text string, most int) int {
	if len(text) <= most {
		return len(text)
	}
	for most > 0 && text[most]&0xc0 == 0x80 {
		most--
	}
	return most
}

// noting keeps the error at which reading failed: http.ServeContent does not give it.
type noting struct {
	io.ReadSeeker
	err error
}

// Read implements io.Reader.
func (n *noting) Read(p []byte) (int, error) {
	got, err := n.ReadSeeker.Read(p)
	if err != nil && err != io.EOF {
		n.err = err
	}
	return got, err
}

// tar sends a folder or a volume as a tar stream.
func (s *Server) tar(w *answer, r *http.Request) error {
	at := refOf(r.URL.Query())
	_, v, err := s.library.volume(r.Context(), at.Capture, at.Volume)
	if err != nil {
		return err
	}
	name := at.Capture + "-" + at.Volume
	if at.Path != "" {
		name += "-" + at.name()
	}
	if v.Tar {
		name += ".tar"
	}
	attach(w.Header(), fileName(name))
	if r.Method == http.MethodHead {
		return nil
	}
	if at.Path != "" && !r.ProtoAtLeast(1, 1) {
		return errNoEnd
	}
	out := &late{w: w}
	if at.Path == "" {
		w.Header().Set("Content-Length", strconv.FormatUint(v.Bytes, 10))
		err = s.o.Repository.Restore(r.Context(), v, out, store.RestoreOptions{})
	} else {
		wanted := func(path string) bool {
			clean := store.CleanPath(path)
			return clean == at.Path || strings.HasPrefix(clean, at.Path+"/")
		}
		_, err = s.o.Repository.RestoreMembers(r.Context(), v, wanted, out, store.RestoreOptions{})
	}
	if err != nil {
		return err
	}
	return out.end()
}

// late keeps the beginning back, so that what fails there is told by the answer's status.
type late struct {
	w    io.Writer
	kept bytes.Buffer
	sent bool
}

// Write implements io.Writer.
func (l *late) Write(p []byte) (int, error) {
	if l.sent {
		return l.w.Write(p)
	}
	l.kept.Write(p)
	if l.kept.Len() < provedFirst {
		return len(p), nil
	}
	return len(p), l.end()
}

// end sends what was kept back.
func (l *late) end() error {
	if l.sent {
		return nil
	}
	l.sent = true
	_, err := l.w.Write(l.kept.Bytes())
	l.kept = bytes.Buffer{}
	return err
}
