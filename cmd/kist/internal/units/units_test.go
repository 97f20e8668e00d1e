package units

import (
	"errors"
	"os"
	"os/exec"
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

// TestMountUnit compares with systemd-escape(1), and with what that printed (252) where it is missing.
func TestMountUnit(t *testing.T) {
	tool, _ := exec.LookPath("systemd-escape")
	for point, want := range map[string]string{
		"/mnt/share": "mnt-share.mount", "/": "-.mount", "/mnt/seed bank/": `mnt-seed\x20bank.mount`, "/mnt/a-b": `mnt-a\x2db.mount`,
		"/.hidden/.x": `\x2ehidden-.x.mount`, "/mnt/\xc3\xa9": `mnt-\xc3\xa9.mount`, "/a:b_c": "a:b_c.mount",
	} {
		if got := mountUnit(point); got != want {
			t.Errorf("%q: %s, not %s", point, got, want)
		}
		if tool == "" {
			continue
		}
		out, err := exec.Command(tool, "--path", "--suffix=mount", point).Output()
		if err != nil || strings.TrimSpace(string(out)) != want {
			t.Errorf("%q: systemd-escape has %s, %v", point, out, err)
		}
	}
}

// TestShareMayBeMissing: what goes on without a share is started without it, too.
func TestShareMayBeMissing(t *testing.T) {
	j := Job{
		When: "daily", Program: "/opt/kist", Writes: "/mnt/share/kist", Share: "/mnt/share", Reads: []string{"/srv/seedbank"},
		Secret: Secret{Key: "/root/kist.key"}, Patience: "2m", Commands: [][]string{{"capture"}},
	}
	unit := j.Service()
	for _, line := range []string{"Wants=mnt-share.mount\n", "After=mnt-share.mount\n", "RequiresMountsFor=/srv/seedbank\n", "ReadWritePaths=-/mnt/share/kist\n"} {
		if !strings.Contains(unit, line) {
			t.Errorf("no %q in\n%s", line, unit)
		}
	}
	if j.Share = ""; !strings.Contains(j.Service(), "RequiresMountsFor=/mnt/share/kist /srv/seedbank\n") {
		t.Error(j.Service())
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

// TestCalendarForm: what has the form of a time is taken where systemd-analyze is missing, and what systemd-analyze
// itself refuses of these is refused too (the reference, where it is there; the forms are those of systemd.time(7)).
func TestCalendarForm(t *testing.T) {
	program, _ := exec.LookPath("systemd-analyze")
	if program == "" && os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Error("systemd-analyze is missing")
	}
	for when, good := range map[string]bool{
		"daily": true, "Weekly": true, "daily UTC": true, "Sun 02:03": true, "*-*-* 02:03": true, "Mon..Fri 22:30": true, "Sat,Sun 12:05": true,
		"2026-03-14 02:03:00 UTC": true, "*-*-1/7 02:03": true, "*:0/15": true, "Mon *-05~07/1": true, "00:05:23.5": true, "03-14": true,
		"*-*-* 02:03 Europe/Berlin": true, "Wed..Sat,Tue 12-10-15 1:2:3": true, "minutely": true,
		"bean": false, "": false, "UTC": false, "every day": false, "02:03 Sun": false, "daily 02:03": false, "-1 day": false, "$(true)": false,
		"Sun 02:03 extra": false, "Bean..Fri 22:30": false, "Sunday at 2": false,
	} {
		err := checkForm(when)
		if (err == nil) != good || err != nil && !errors.As(err, new(*cmdline.UsageError)) {
			t.Errorf("%q: %v, want good: %t", when, err, good)
		}
		if program == "" || when == "" {
			continue
		}
		if reference := exec.Command(program, "calendar", "--", when).Run(); (reference == nil) != good {
			t.Errorf("systemd-analyze says of %q: %v", when, reference)
		}
	}
	if err := CheckCalendar(t.Context(), "daily\nOnCalendar=hourly"); err == nil {
		t.Error("two lines are taken")
	}
}

func TestCheckName(t *testing.T) {
	for unit, good := range map[string]bool{
		"tell-me.service": true, "tell-me@%n.service": true, "mail.target": true, `a\x20b.service`: true,
		"tell-me": false, "": false, "a b.service": false, "a\nb.service": false, "a.service c.service": false, "/etc/a.service": false, "a;b.service": false,
	} {
		if err := CheckName(unit); (err == nil) != good {
			t.Errorf("%q: %v", unit, err)
		}
	}
}
