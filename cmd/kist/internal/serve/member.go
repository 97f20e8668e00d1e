package serve

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

const (
	textAtOnce  = 128 << 10 // bytes of a text that a page shows
	hexAtOnce   = 4 << 10   // bytes that it shows in hexadecimal
	mostPicture = 32 << 20  // bytes of a picture that is shown
)

// content is a member that is open.
type content struct {
	io.ReadSeeker
	io.ReaderAt // nil: it has none
	io.Closer
	info fs.FileInfo
}

// openContent opens a member, or what a link leads to. It has no content where it is no file.
func (s *Server) openContent(r *http.Request, at ref) (*content, error) {
	files, err := s.library.open(r.Context(), at.Capture, at.Volume)
	if err != nil {
		return nil, err
	}
	f, err := files.Within(r.Context()).Open(at.fsName())
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, err
	}
	c := &content{Closer: f, info: info}
	if info.Mode().IsRegular() {
		c.ReadSeeker, c.ReaderAt = f.(io.ReadSeeker), f.(io.ReaderAt)
	}
	return c, nil
}

// memberView is a member, and a part of what it holds.
type memberView struct {
	Ref      ref
	Kind     string
	Info     fs.FileInfo
	Mode     string
	Owner    string
	Target   string // of a link
	Broken   string // why what a link leads to can't be shown
	Others   string // link to all versions of it
	HasBytes bool
	As       string // text, hex or picture
	Kinds    []string
	Text     string
	Rows     []hexRow
	From, To int64
	Previous string
	Next     string
}

// hexRow is a row of 16 bytes.
type hexRow struct{ Offset, Hex, Text string }

func (s *Server) member(w *answer, r *http.Request) error {
	q := r.URL.Query()
	at := refOf(q)
	v := &memberView{Ref: at}
	if err := s.describe(r, v); err != nil {
		return err
	}
	of, err := s.library.capture(r.Context(), at.Capture)
	if err != nil {
		return err
	}
	v.Others = versionsLink(of.Name, at.Path)
	c, err := s.openContent(r, at)
	switch {
	case v.Target != "" && err != nil && statusOf(err) == http.StatusNotFound:
		v.Broken = "It leads to nothing in this volume."
	case err != nil:
		return err
	default:
		defer c.Close()
		if c.info.IsDir() {
			http.Redirect(w, r, at.Folder(), http.StatusSeeOther)
			return nil
		}
		if err := v.read(c, q.Get("as"), q.Get("from")); err != nil {
			return err
		}
	}
	return s.show(w, http.StatusOK, "member", &frame{Title: at.name(), At: "captures", Path: at.crumbs(), Body: v})
}

// describe says what a member is, without following links.
func (s *Server) describe(r *http.Request, v *memberView) error {
	files, err := s.library.open(r.Context(), v.Ref.Capture, v.Ref.Volume)
	if err != nil {
		return err
	}
	if v.Info, err = files.Lstat(v.Ref.fsName()); err != nil {
		return err
	}
	v.Kind = kindOf(v.Info.Mode())
	if m, ok := v.Info.Sys().(*store.Member); ok && m != nil {
		v.Mode, v.Owner = members.Mode(m), members.Owner(m)
		if m.Type == tarstream.Symlink {
			v.Target = m.Link
		}
	}
	return nil
}

// read reads the part that is to be shown.
func (v *memberView) read(c *content, as, from string) error {
	if c.ReaderAt == nil {
		return nil
	}
	v.HasBytes, v.Info = true, c.info
	size := c.info.Size()
	head := make([]byte, min(size, 8<<10))
	if _, err := readAt(c, head, 0); err != nil {
		return err
	}
	v.Kinds = []string{"text", "hex"}
	if pictureType(head) != "" && size <= mostPicture {
		v.Kinds = append(v.Kinds, "picture")
	}
	switch {
	case as == "hex", as == "text", as == "picture" && len(v.Kinds) == 3:
		v.As = as
	case len(v.Kinds) == 3:
		v.As = "picture"
	case isText(head):
		v.As = "text"
	default:
		v.As = "hex"
	}
	if v.As == "picture" {
		return nil
	}
	return v.readPart(c, from)
}

// LastByte is the offset of the last byte that is shown.
func (v *memberView) LastByte() int64 { return max(v.From, v.To-1) }

func (v *memberView) readPart(c *content, from string) error {
	length := int64(hexAtOnce)
	if v.As == "text" {
		length = textAtOnce
	}
	size := c.info.Size()
	v.From, _ = strconv.ParseInt(from, 0, 64)
	if v.From = max(v.From, 0); v.From >= size { // behind the end: the last part
		v.From = max(0, size-length)
	}
	if v.As == "hex" {
		v.From -= v.From % 16
	}
	part := make([]byte, min(length, size-v.From))
	if _, err := readAt(c, part, v.From); err != nil {
		return err
	}
	if v.As == "text" {
		part = wholeRunes(part, v.From+int64(len(part)) < size)
	}
	v.To = v.From + int64(len(part))
	if v.From > 0 {
		v.Previous = v.Ref.From(v.As, max(0, v.From-length))
	}
	if v.To < size {
		v.Next = v.Ref.From(v.As, v.To)
	}
	if v.As == "text" {
		v.Text = shownText(part)
	} else {
		v.Rows = hexRows(part, v.From)
	}
	return nil
}

// readAt reads all of p, and takes the end of the content for no error.
func readAt(r io.ReaderAt, p []byte, off int64) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	n, err := r.ReadAt(p, off)
	if errors.Is(err, io.EOF) && n == len(p) {
		err = nil
	}
	return n, err
}

// isText tells whether bytes may be shown as text: there is no zero byte among them, and
// hardly one that is not UTF-8.
func isText(b []byte) bool {
	if bytes.IndexByte(b, 0) >= 0 {
		return false
	}
	wrong := 0
	for rest := b; len(rest) > 0; {
		r, n := utf8.DecodeRune(rest)
		if r == utf8.RuneError && n == 1 {
			wrong++
		}
		rest = rest[n:]
	}
	return wrong <= 4+len(b)/50
}

// wholeRunes leaves out the beginning of a character at the end of a part.
func wholeRunes(b []byte, more bool) []byte {
	for i := 1; more && i < utf8.UTFMax && i < len(b); i++ {
		if at := len(b) - i; utf8.RuneStart(b[at]) {
			if !utf8.FullRune(b[at:]) {
				return b[:at]
			}
			break
		}
	}
	return b
}

// shownText escapes what would steer the page, or be read otherwise than it is.
func shownText(b []byte) string {
	var shown strings.Builder
	for line := range strings.Lines(string(b)) {
		text, ended := strings.CutSuffix(line, "\n")
		shown.WriteString(screen.Tabbed(strings.TrimSuffix(text, "\r")))
		if ended {
			shown.WriteByte('\n')
		}
	}
	return shown.String()
}

func hexRows(b []byte, from int64) (rows []hexRow) {
	for len(b) > 0 {
		row := b[:min(16, len(b))]
		text := bytes.Map(func(r rune) rune {
			if r < ' ' || r > '~' {
				return '.'
			}
			return r
		}, latin(row))
		rows = append(rows, hexRow{fmt.Sprintf("%08x", from), spaced(hex.EncodeToString(row)), string(text)})
		from += int64(len(row))
		b = b[len(row):]
	}
	return rows
}

// latin gives a character for each byte.
func latin(b []byte) []byte {
	var out []byte
	for _, c := range b {
		out = utf8.AppendRune(out, rune(c))
	}
	return out
}

func spaced(digits string) string {
	var b strings.Builder
	for i := 0; i < len(digits); i += 2 {
		if i > 0 {
			b.WriteByte(' ')
			if i == 16 {
				b.WriteByte(' ')
			}
		}
		b.WriteString(digits[i : i+2])
	}
	return b.String()
}
