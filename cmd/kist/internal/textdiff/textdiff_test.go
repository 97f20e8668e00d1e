package textdiff

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var at = time.Date(2026, time.March, 14, 2, 3, 4, 567891234, time.UTC)

// need skips a test where a program is missing, unless all are required.
func need(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("KIST_TEST_REQUIRE") == "all" {
				t.Fatal(err)
			}
			t.Skip(err)
		}
	}
}

// TestLikeDiff holds what comes out against GNU diff -u, to the byte, where there is only one
// shortest difference.
func TestLikeDiff(t *testing.T) {
	need(t, "diff")
	lines := func(from, to int) (s string) {
		for n := from; n < to; n++ {
			s += fmt.Sprintf("lot %d\n", n)
		}
		return s
	}
	for name, c := range map[string][2]string{
		"the same":              {"a\n", "a\n"},
		"a line changed":        {lines(0, 20), lines(0, 9) + "bean\n" + lines(10, 20)},
		"added at the end":      {lines(0, 20), lines(0, 25)},
		"gone at the beginning": {lines(0, 20), lines(5, 20)},
		"two far apart":         {lines(0, 40), lines(1, 39)},
		"two near each other":   {lines(0, 20), lines(0, 5) + lines(6, 12) + lines(13, 20)},
		"no line feed at last":  {"a\nb", "a\nc"},
		"one came":              {"a\nb", "a\nb\n"},
		"one went":              {"a\nb\n", "a\nb"},
		"all new":               {"", "a\nb\n"},
		"all gone":              {"a\nb\n", ""},
		"carriage returns":      {"a\r\nb\r\n", "a\r\nc\r\n"},
		"not UTF-8":             {"caf\xe9\n", "caf\xe9s\n"},
		"of one line":           {"a\n", "b\n"},
	} {
		dir := t.TempDir()
		for i, side := range []string{"was", "is"} {
			path := filepath.Join(dir, side)
			if err := os.WriteFile(path, []byte(c[i]), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(path, at, at); err != nil {
				t.Fatal(err)
			}
		}
		cmd := exec.Command("diff", "-u", "was", "is")
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "TZ=UTC", "LC_ALL=C")
		want, _ := cmd.Output() // 1 where they differ
		got := Unified(Side{"was", at, []byte(c[0])}, Side{"is", at, []byte(c[1])})
		if got != string(want) {
			t.Errorf("%s:\n%s\nnot\n%s", name, got, want)
		}
	}
}

// TestPatch has GNU patch make one text of the other.
func TestPatch(t *testing.T) {
	need(t, "patch")
	random := rand.New(rand.NewPCG(2026, 314))
	names := []string{"lot", "a lot", "lot\"\\ \t1", "lot\n1", "K\u00e4fer"}
	for round := range 60 {
		var was, is strings.Builder
		for range random.IntN(120) {
			line := fmt.Sprintf("lot %d\n", random.IntN(30))
			switch random.IntN(8) {
			case 0:
				was.WriteString(line)
			case 1:
				is.WriteString(line)
			default:
				was.WriteString(line)
				is.WriteString(line)
			}
		}
		if random.IntN(3) == 0 {
			is.WriteString("no line feed")
		}
		if random.IntN(3) == 0 {
			was.WriteString("nor here")
		}
		name := names[round%len(names)]
		dir := t.TempDir()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(was.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("patch", "-p1", "--no-backup-if-mismatch", "-E")
		cmd.Dir = dir
		text := Unified(Side{"20260117t0203z-k7f3/" + name, at, []byte(was.String())}, Side{"20260314t0203z-m2x9/" + name, at, []byte(is.String())})
		cmd.Stdin = strings.NewReader(text)
		if said, err := cmd.CombinedOutput(); text != "" && err != nil {
			t.Fatalf("%q: %v\n%s\n%s", name, err, said, text)
		}
		got, err := os.ReadFile(path)
		if err != nil && is.Len() > 0 || string(got) != is.String() {
			t.Fatalf("%q, %v: %q, not %q, by\n%s", name, err, got, is.String(), text)
		}
	}
}

// TestRead: what is no text, and too much of it, are refused.
func TestRead(t *testing.T) {
	for _, c := range []struct {
		in   []byte
		want error
	}{
		{nil, nil}, {[]byte("bean\n"), nil}, {[]byte("a\x00b"), ErrBinary},
		{bytes.Repeat([]byte("a"), MaxSize), nil}, {bytes.Repeat([]byte("a"), MaxSize+1), ErrTooLarge},
	} {
		if b, err := Read(bytes.NewReader(c.in)); !errors.Is(err, c.want) || err == nil && !bytes.Equal(b, c.in) {
			t.Errorf("%d bytes: %v", len(c.in), err)
		}
	}
	if got := Unified(Side{}, Side{"a", at, []byte("x\n")}); !strings.HasPrefix(got, "--- /dev/null\n+++ a\t2026-03-14 02:03:04.567891234 +0000\n@@ -0,0 +1 @@\n+x\n") {
		t.Errorf("%s", got)
	}
}
