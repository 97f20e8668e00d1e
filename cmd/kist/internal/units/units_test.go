package units

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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
	j.Also = []string{"/mnt/disk/kist"}
	if unit := j.Service(); !strings.Contains(unit, "RequiresMountsFor=/mnt/share/kist /mnt/disk/kist /srv/seedbank\n") || !strings.Contains(unit, "ReadWritePaths=/mnt/share/kist /mnt/disk/kist\n") {
		t.Errorf("a second place is not waited for, or not written:\n%s", unit)
	}
}

// TestObjectStore: a service reaches an object store over the network, and gets its keys as a credential.
func TestObjectStore(t *testing.T) {
	j := Job{
		When: "daily", Program: "/opt/kist", Repository: "s3://seeds/hazel", Store: &Store{Keys: "/root/100%.keys", Variables: []string{"AWS_PROFILE=seed bank"}},
		Reads: []string{"/srv/seedbank"}, Secret: Secret{Key: "/root/kist.key"}, Commands: [][]string{{"capture"}},
	}
	unit := j.Service()
	for _, line := range []string{
		"After=network-online.target\n", "RequiresMountsFor=/srv/seedbank\n", "LoadCredential=kist.s3:/root/100%%.keys\n",
		"Environment=\"AWS_PROFILE=seed bank\"\n", "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6\n",
	} {
		if !strings.Contains(unit, line) {
			t.Errorf("no %q in\n%s", line, unit)
		}
	}
	if strings.Contains(unit, "PrivateNetwork") || strings.Contains(unit, "ReadWritePaths") {
		t.Errorf("no network, or a folder without a name:\n%s", unit)
	}
	want := `@daily AWS_SHARED_CREDENTIALS_FILE=/root/100\%.keys AWS_PROFILE='seed bank' /opt/kist capture --key-file /root/kist.key` + "\n"
	if line, err := j.Cron(); err != nil || line != want {
		t.Errorf("%q, %v, not %q", line, err, want)
	}
	j.Store, j.Repository, j.Writes = nil, "/mnt/kist", "/mnt/kist"
	if unit := j.Service(); !strings.Contains(unit, "PrivateNetwork=yes\n") || strings.Contains(unit, "AF_INET") || strings.Contains(unit, "kist.s3") {
		t.Errorf("a folder needs no network:\n%s", unit)
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
	came := filepath.Join(dir, "came-meanwhile.service") // behind the look at what is there
	if err := os.WriteFile(came, []byte("theirs"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := writeUnit(came, "ours"); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over a unit that is there: %v", err)
	}
	if b, err := os.ReadFile(came); string(b) != "theirs" || err != nil {
		t.Errorf("%q, %v", b, err)
	}
	if err := j.Write(dir); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"kist-seed-bank-1.service", "kist-seed-bank-1.timer"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestWriteBesideAnother: units of two configurations have the same names: none is written over, none is written alone, and what is
// there is told to be the other's, which is not to be removed.
func TestWriteBesideAnother(t *testing.T) {
	of := func(name, config string) *Job {
		return &Job{Name: name, Commands: [][]string{{"verify", "--quiet", "--config", config}}, Secret: Secret{Key: "/root/kist.key"}}
	}
	for _, test := range []struct{ first, second, say string }{
		{"/etc/kist/kist.toml", "/etc/kist/other one.toml", "goes by the configuration /etc/kist/kist.toml: units of two have the same names"},
		{"/etc/kist/other one.toml", "/etc/kist/kist.toml", "goes by the configuration /etc/kist/other one.toml: units of two have the same names"},
		{"/etc/kist/kist.toml", "/etc/kist/kist.toml", "remove it first"},
		{"/etc/kist/other one.toml", "/etc/kist/other one.toml", "remove it first"},
	} {
		dir := t.TempDir()
		if err := WriteAll(dir, []*Job{of("verify", test.first)}); err != nil {
			t.Fatal(err)
		}
		err := WriteAll(dir, []*Job{of("another", test.second), of("verify", test.second)})
		if err == nil || !strings.Contains(err.Error(), test.say) {
			t.Errorf("%s, then %s: %v", test.first, test.second, err)
		}
		if found, _ := os.ReadDir(dir); len(found) != 2 {
			t.Errorf("%d units", len(found))
		}
	}
}

// TestCheckNames: a service may be called as what is scheduled beside services is, or so that its unit is.
func TestCheckNames(t *testing.T) {
	for _, names := range [][]string{{"verify", "verify"}, {"seed bank", "seed-bank"}} {
		if err := CheckNames([]*Job{{Name: names[0]}, {Name: "other"}, {Name: names[1]}}); !errors.As(err, new(*cmdline.UsageError)) {
			t.Errorf("%q: %v", names, err)
		}
	}
	if err := CheckNames([]*Job{{Name: "verify"}, {Name: "seed bank"}}); err != nil {
		t.Error(err)
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

// hardened has the lines that keep a service from what it has no use for, and what systemd-analyze security calls
// each; "": it does not look at that.
var hardened = map[string]string{
	"ProtectSystem=strict":            "ProtectSystem",
	"ProtectHome=read-only":           "", // counts for it only where nothing at home can be read
	"PrivateDevices=yes":              "PrivateDevices",
	"PrivateNetwork=yes":              "PrivateNetwork",
	"ProtectClock=yes":                "ProtectClock",
	"ProtectControlGroups=yes":        "ProtectControlGroups",
	"ProtectHostname=yes":             "ProtectHostname",
	"ProtectKernelLogs=yes":           "ProtectKernelLogs",
	"ProtectKernelModules=yes":        "ProtectKernelModules",
	"ProtectKernelTunables=yes":       "ProtectKernelTunables",
	"NoNewPrivileges=yes":             "NoNewPrivileges",
	"LockPersonality=yes":             "LockPersonality",
	"MemoryDenyWriteExecute=yes":      "MemoryDenyWriteExecute",
	"RestrictAddressFamilies=AF_UNIX": "RestrictAddressFamilies_AF_INET_INET6",
	"RestrictNamespaces=yes":          "RestrictNamespaces_user",
	"RestrictRealtime=yes":            "RestrictRealtime",
	"RestrictSUIDSGID=yes":            "RestrictSUIDSGID",
	"SystemCallArchitectures=native":  "SystemCallArchitectures",
	"CapabilityBoundingSet=CAP_DAC_OVERRIDE CAP_DAC_READ_SEARCH CAP_FOWNER": "CapabilityBoundingSet_CAP_SYS_ADMIN",
	"ReadWritePaths=/mnt/kist": "",
	"CacheDirectory=kist":      "",
}

// TestHardened: a service can do what it must and little else (systemd.exec(5)), by what systemd-analyze security
// says of the unit, where that is there; and no file that it makes is for others, whatever it runs.
func TestHardened(t *testing.T) {
	for name, j := range map[string]*Job{"files": {}, "a container": {Container: true}, "commands": {Runs: true}} {
		j.Name, j.Program, j.Writes, j.Commands, j.Secret.Key = "seedbank", "/bin/true", "/mnt/kist", [][]string{{"verify"}}, "/root/kist.key"
		unit := j.Service()
		lines := strings.Split(unit, "\n")
		for _, line := range []string{"UMask=0077", "StateDirectory=kist", "StateDirectoryMode=0700"} {
			if !slices.Contains(lines, line) {
				t.Errorf("%s: no %s", name, line)
			}
		}
		free := name != "files"
		if slices.Contains(lines, "KillMode=process") != free {
			t.Errorf("%s: what it starts ends with it, or not", name)
		}
		for line := range hardened {
			if slices.Contains(lines, line) == free {
				t.Errorf("%s: %s is there: %t", name, line, free)
			}
		}
		if !free {
			checkHardened(t, unit)
		}
	}
}

// checkHardened holds a unit against what systemd-analyze finds in it.
func checkHardened(t *testing.T, unit string) {
	program, _ := exec.LookPath("systemd-analyze")
	if program == "" {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Error("systemd-analyze is missing")
		}
		return
	}
	path := filepath.Join(t.TempDir(), "kist-seedbank.service")
	if err := os.WriteFile(path, []byte(unit), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(program, "security", "--offline=true", "--json=short", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	var found []struct {
		Field string `json:"json_field"`
		Set   *bool  `json:"set"`
	}
	if err := json.Unmarshal(out, &found); err != nil {
		t.Fatal(err)
	}
	set := make(map[string]bool)
	for _, f := range found {
		set[f.Field] = f.Set != nil && *f.Set
	}
	for line, field := range hardened {
		if field != "" && !set[field] {
			t.Errorf("systemd-analyze does not find %s", line)
		}
	}
	if !set["UMask"] {
		t.Error("systemd-analyze finds that others can read the files it makes")
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
