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
		// No line that is the same stands in a text only once.
		"between repeated lines": {"oak\n\n\nelm\n", "ash\n\n\nfir\n"},
		"far apart, repeated":    {"oak\n" + strings.Repeat("}\n", 20) + "elm\n", "ash\n" + strings.Repeat("}\n", 20) + "fir\n"},
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

// TestFarApart: many changes all over a long text are a hunk each, and what lies between is in none.
func TestFarApart(t *testing.T) {
	var was, is strings.Builder
	for n := range 20_000 {
		fmt.Fprintf(&was, "lot %d\n\n", n)
		if n%50 == 25 {
			fmt.Fprintf(&is, "bed %d\n\n", n)
			continue
		}
		fmt.Fprintf(&is, "lot %d\n\n", n)
	}
	d := Compare([]byte(was.String()), []byte(is.String()))
	came, went := d.Count()
	if len(d.Hunks) != 400 || came != 400 || went != 400 {
		t.Fatalf("%d hunks, %d lines came, %d went", len(d.Hunks), came, went)
	}
	for _, h := range d.Hunks {
		if h.Was.Len() != 1+2*around || h.Is != h.Was {
			t.Errorf("%v, %v", h.Was, h.Is)
		}
	}
}

// TestCompared has the changes make one text of the other, and the lines outside them be the same in both.
func TestCompared(t *testing.T) {
	random := rand.New(rand.NewPCG(2027, 28))
	for range 2000 {
		of := 1 + random.IntN(40)
		text := func() (s string) {
			for range random.IntN(60) {
				s += fmt.Sprintf("%d\n", random.IntN(of))
			}
			return s + strings.Repeat("end", random.IntN(2))
		}
		was, is := text(), text()
		d := Compare([]byte(was), []byte(is))
		var made []string
		at := 0
		for n, h := range d.Hunks {
			if n > 0 && h.Was.From < d.Hunks[n-1].Was.To {
				t.Fatalf("hunks overlap: %+v", d.Hunks)
			}
			for _, c := range h.Changes {
				made = append(made, d.Was[at:c.Was.From]...)
				if len(made) != c.Is.From {
					t.Fatalf("%q, %q: %+v", was, is, d.Hunks)
				}
				made = append(made, d.Is[c.Is.From:c.Is.To]...)
				at = c.Was.To
			}
		}
		if made = append(made, d.Was[at:]...); strings.Join(made, "") != is {
			t.Fatalf("%q, %q: %+v", was, is, d.Hunks)
		}
	}
}

// BenchmarkCompare compares texts of the most bytes that differ in every second line, and in all.
func BenchmarkCompare(b *testing.B) {
	texts := func(line func(n, side int) string) (both [2][]byte) {
		for side := range both {
			for n := 0; len(both[side]) < MaxSize-16; n++ {
				both[side] = append(both[side], line(n, side)...)
			}
		}
		return both
	}
	for what, both := range map[string][2][]byte{
		"all other": texts(func(n, side int) string { return fmt.Sprintf("%d\n", n%900+side*1000) }),
		"empty":     {bytes.Repeat([]byte("\n"), MaxSize), bytes.Repeat([]byte("a\n"), MaxSize/2)},
		"scattered": texts(func(n, side int) string { return fmt.Sprintf("%x\n", n*2+n%2*side) }),
		"turned":    texts(func(n, side int) string { return fmt.Sprintf("%d\n", (1-2*side)*n+100_000) }),
	} {
		b.Run(what, func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				Compare(both[0], both[1])
			}
		})
	}
}
