package serve

import (
	"archive/tar"
	"io"
	"strings"
	"testing"
	"time"
)

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
