package drawer

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"strings"
	"testing"
	"time"
)

// TestIsTar: streams that archive/tar writes, packed by compress/gzip too, are told from what is none.
func TestIsTar(t *testing.T) {
	stream := func(format tar.Format, members int) []byte {
		var out bytes.Buffer
		w := tar.NewWriter(&out)
		for range members {
			if err := w.WriteHeader(&tar.Header{Name: "catalogue-\u00fc.dat", Mode: 0o600, Format: format}); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	pack := func(b []byte) []byte {
		var out bytes.Buffer
		w := gzip.NewWriter(&out)
		w.Write(b)
		w.Close()
		return out.Bytes()
	}
	notes := []byte(strings.Repeat("beans are sown in May\n", 100))
	for name, c := range map[string]struct {
		content []byte
		want    bool
	}{
		"pax":         {stream(tar.FormatPAX, 1), true},
		"gnu":         {stream(tar.FormatGNU, 1), true},
		"packed":      {pack(stream(tar.FormatGNU, 1)), true},
		"no members":  {stream(tar.FormatGNU, 0), true},
		"cut":         {stream(tar.FormatGNU, 1)[:700], true},
		"text":        {notes, false},
		"packed text": {pack(notes), false},
		"short text":  {notes[:20], false},
		"nothing":     {nil, false},
	} {
		if got := IsTar(bytes.NewReader(c.content)); got != c.want {
			t.Errorf("%s: %t", name, got)
		}
	}
}

// TestDoubtful: what may be meant as a date and is read as none is told; versions and numbers are none. The names are common
// practice, without a source.
func TestDoubtful(t *testing.T) {
	for file, want := range map[string]string{
		"seedbank-03-04-2026.tar.gz":        "03-04-2026",
		"seedbank_3_4_2026.tar":             "3_4_2026",
		"seedbank-4.2.1-04.05.2026.tar":     "04.05.2026",
		"seedbank-2026-02-30.tar":           "2026-02-30",
		"seedbank-20260230.tar":             "20260230",
		"seedbank-2026-03.tar":              "2026-03",
		"seedbank-260314.tar":               "260314",
		"seedbank-140326.tar":               "140326",
		"seedbank-30-Feb-2026.tar":          "30-Feb-2026",
		"seedbank-1773453780.tar":           "1773453780",
		"seedbank-4.1.20260.tar":            "",
		"seedbank-2025.12.1.tar":            "",
		"seedbank-4.1.0.tar":                "",
		"seedbank-12345678.tar":             "",
		"seedbank-123456.tar":               "",
		"seedbank-4.260314.1.tar":           "",
		"seedbank.tar":                      "",
		"seedbank-3141592653589793.tar.bz2": "",
	} {
		if got := Doubtful(file); got != want {
			t.Errorf("%s: %q, not %q", file, got, want)
		}
		if r := Guess(file, time.UTC); !r.Taken.IsZero() {
			t.Errorf("%s is read as %s", file, r.Taken)
		}
	}
}
