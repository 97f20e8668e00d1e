package units

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

// TestNothingUnseen: no character that does not show, and so may hide a command, comes
// into a unit as it is.
func TestNothingUnseen(t *testing.T) {
	for r := rune(0); r <= unicode.MaxRune; r++ {
		if !unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector) {
			continue
		}
		word := "a" + string(r) + "b"
		for what, shown := range map[string]string{"quote": quote(word), "text": text(word)} {
			if strings.ContainsRune(shown, r) {
				t.Errorf("%s shows %U as it is: %q", what, r, shown)
			}
		}
	}
}

// TestQuote has words as systemd.syntax(7) and systemd.service(5) want them.
func TestQuote(t *testing.T) {
	for word, want := range map[string]string{
		"": `""`, "a": "a", "a b": `"a b"`, `a"b`: `"a\"b"`, `a\b`: `"a\\b"`, "100%": "100%%", "$x": "$$x", "a;b": `"a;b"`, "it's": `"it's"`,
		"a\nb": `"a\x0ab"`, "\xff": `"\xff"`,
	} {
		if got := command([]string{word}); got != want {
			t.Errorf("%q: %s, not %s", word, got, want)
		}
	}
	for value, want := range map[string]string{"a\nb": "a b", `a\\`: "a", "5%": "5%%"} {
		if got := text(value); got != want {
			t.Errorf("%q: %q, not %q", value, got, want)
		}
	}
}

func TestCron(t *testing.T) {
	j := Job{
		When: "daily", Program: "/opt/kist", Writes: "/mnt/kist", Secret: Secret{Key: "/root/100%.key"},
		Commands: [][]string{{"retire", "--days", "7"}, {"reclaim"}},
	}
	want := `@daily /opt/kist retire --key-file /root/100\%.key --days 7 && /opt/kist reclaim --key-file /root/100\%.key` + "\n"
	if got, err := j.Cron(); err != nil || got != want {
		t.Errorf("%q, %v, not %q", got, err, want)
	}
	for _, wrong := range []Job{
		{When: "Sun 02:03", Commands: j.Commands},
		{When: "daily", Program: "a\n", Commands: j.Commands},
	} {
		if got, err := wrong.Cron(); got != "" || !errors.As(err, new(*cmdline.UsageError)) {
			t.Errorf("%+v: %q, %v", wrong, got, err)
		}
	}
}

// TestWriteOverNone: a unit that is there stays, and the other one is not written alone.
func TestWriteOverNone(t *testing.T) {
	j := Job{Name: "seed bank/1", Secret: Secret{Key: "/root/kist.key"}}
	for _, kind := range Kinds() {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, j.FileName(kind)), nil, 0o600); err != nil {
			t.Fatal(err)
		}
		err := j.Write(dir)
		if found, _ := os.ReadDir(dir); err == nil || len(found) != 1 {
			t.Errorf("%s: %v, and %d units", kind, err, len(found))
		}
	}
	dir := t.TempDir()
	if err := j.Write(dir); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"kist-seed-bank-1.service", "kist-seed-bank-1.timer"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}
