package main

import (
	"archive/tar"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"unicode"
)

// steering is what a terminal might obey.
const steering = "a\x1b[2J\u009b31m\x7f\u202e\u2066\U000e0001\r\t\x07\\z"

// TestSteeringNames: whatever a capture is called and holds, no command lets a
// terminal be steered, and JSON says the same as was captured.
func TestSteeringNames(t *testing.T) {
	b := newBench(t)
	f, err := os.Create(b.path("odd.tar"))
	if err != nil {
		t.Fatal(err)
	}
	w := tar.NewWriter(f)
	for _, h := range []*tar.Header{
		{Name: steering, Uname: steering, Mode: 0o644, Format: tar.FormatPAX},
		{Name: "link", Linkname: steering, Typeflag: tar.TypeSymlink, Format: tar.FormatPAX},
	} {
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	capture := []string{"capture", "--name", steering, "--version", steering, "--note", steering, "--host", steering, "--label", steering + "=" + steering}
	for _, args := range [][]string{
		append(capture, b.path("odd.tar")), append(capture, "--json", b.path("odd.tar")),
		{"list"}, {"list", "--json"}, {"list", "--name", steering}, {"show", "latest"}, {"show", "latest", "--json"},
		{"contents", "latest"}, {"contents", "latest", "--json"}, {"contents", steering + "@latest"},
		{"compare", "latest", "latest"}, {"usage"}, {"usage", "--json"}, {"verify", "--full"}, {"verify", "--json"}, {"status"}, {"status", "--json"},
	} {
		b.must(args...)
		for _, r := range b.stdout.String() + b.stderr.String() {
			if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Cf, r)) {
				t.Errorf("kist %q: %q on the screen", args, r)
				break
			}
		}
		if !strings.Contains(strings.Join(args, " "), "--json") {
			continue
		}
		var v any
		if err := json.Unmarshal(b.stdout.Bytes(), &v); err != nil {
			t.Errorf("kist %q: %v", args, err)
		}
	}
	b.must("list", "--json")
	var captures []struct{ Name string }
	if err := json.Unmarshal(b.stdout.Bytes(), &captures); err != nil || len(captures) != 2 || captures[0].Name != steering {
		t.Errorf("%+v, %v", captures, err)
	}
}
