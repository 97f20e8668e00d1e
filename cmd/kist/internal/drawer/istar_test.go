package drawer

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"strings"
	"testing"
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

func TestUnclearDate(t *testing.T) {
	for file, want := range map[string]bool{
		"seedbank-03-04-2026.tar.gz": true, "14.3.2026 orchard.tar": true, "seedbank_3_4_2026.tar": true,
		"seedbank-4.1.0-2026-03-14.tar": false, "seedbank-4.1.20260.tar": false, "seedbank.tar": false,
	} {
		if got := HasUnclearDate(file); got != want {
			t.Errorf("%s: %t", file, got)
		}
	}
}
