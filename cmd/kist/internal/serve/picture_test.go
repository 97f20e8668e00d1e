package serve

import (
	"net/http"
	"strings"
	"testing"
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
