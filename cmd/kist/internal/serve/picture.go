package serve

import (
	"bytes"
	"net/http"
	"strconv"
)

// pictureType gives the type of a picture by how it begins, or "". There are no others than these: what is drawn by
// text, as SVG is, may hold scripts.
func pictureType(b []byte) string {
	for _, p := range []struct{ begins, contentType string }{
		{"\x89PNG\r\n\x1a\n", "image/png"}, // W3C, PNG, 5.2
		{"\xff\xd8\xff", "image/jpeg"},     // ITU-T T.81, annex B
		{"GIF87a", "image/gif"},            // CompuServe, GIF
		{"GIF89a", "image/gif"},
	} {
		if bytes.HasPrefix(b, []byte(p.begins)) {
			return p.contentType
		}
	}
	if len(b) >= 12 && string(b[:4]) == "RIFF" && string(b[8:12]) == "WEBP" { // RFC 9649, 2.4
		return "image/webp"
	}
	return ""
}

// picture serves a member that is a picture, and nothing else.
func (s *Server) picture(w *answer, r *http.Request) error {
	at := refOf(r.URL.Query())
	c, err := s.openContent(r, at)
	if err != nil {
		return err
	}
	defer c.Close()
	if c.ReaderAt == nil || c.info.Size() > mostPicture {
		return &statusError{http.StatusUnsupportedMediaType, "It is no picture that can be shown."}
	}
	all := make([]byte, c.info.Size())
	if _, err := readAt(c, all, 0); err != nil {
		return err
	}
	contentType := pictureType(all)
	if contentType == "" {
		return &statusError{http.StatusUnsupportedMediaType, "It is no picture that can be shown."}
	}
	asData(w.Header(), contentType)
	w.Header().Set("Content-Length", strconv.Itoa(len(all)))
	_, err = w.Write(all)
	return err
}
