package config

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// write puts a configuration into a file.
func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestLoad(t *testing.T) {
	machine := write(t, "kist.toml", `
repository = "/mnt/share/kist"
key-file = "/root/kist.key"
engine = "one"
replica = "/mnt/disk/kist"
other-key-file = "/root/disk.key"
[service.seedbank]
source = ["/srv/seedbank"]
exclude = ["*.log"]
[service.beds]
container = ["beds"]
`)
	user := write(t, "kist.toml", `
engine = "two"
passphrase-file = "/root/words"
other-passphrase-file = "/root/disk.words"
[service.seedbank]
source = ["data=/srv/other"]
`)
	s, err := Load([]string{machine, filepath.Join(t.TempDir(), "missing"), user}, false)
	if err != nil {
		t.Fatal(err)
	}
	if s.Repository != "/mnt/share/kist" || s.Engine != "two" || s.KeyFile != "" || s.PassphraseFile != "/root/words" {
		t.Errorf("%+v", s.File)
	}
	if s.Replica != "/mnt/disk/kist" || s.OtherKeyFile != "" || s.OtherPassphraseFile != "/root/disk.words" { // likewise one of the two
		t.Errorf("%+v", s.File)
	}
	seedbank := s.Services["seedbank"]
	if len(seedbank.Exclude) != 0 || !reflect.DeepEqual(seedbank.Source, []string{"data=/srv/other"}) || s.Services["beds"] == nil {
		t.Errorf("%+v", seedbank)
	}
	for key, want := range map[string]string{
		"repository": machine + ":2", "engine": user + ":2", "key-file": "", "passphrase-file": user + ":3",
		"service.seedbank.source": user + ":6", "service.beds.container": machine + ":11", "state": "",
		"replica": machine + ":5", "other-key-file": "", "other-passphrase-file": user + ":4",
		"service.seedbank.exclude": user + ":5", // which says nothing of it, and counts as a whole
	} {
		if got := s.From(key); got != want {
			t.Errorf("%s: from %q, not %q", key, got, want)
		}
	}
}

// TestRefused: what can't be meant is refused with its place.
func TestRefused(t *testing.T) {
	for text, want := range map[string]string{
		"repositry = \"/x\"":                                                      "line 1, column 1: no key repositry here; did you mean repository?",
		"\n[service.a]\nsource=[\"/x\"]\n  exclud = []":                           "line 4, column 3: no key service.a.exclud here; did you mean exclude?",
		"[service.a.retire]\ndayz = 7":                                            "did you mean days?",
		"[servise.a]":                                                             "no key servise.a here; did you mean service?",
		"nothing-near-this = 1":                                                   "no key nothing-near-this here",
		"repository = 7":                                                          "line 1, column 14",
		"[service.a]\nsource = \"/x\"":                                            `it must be a list, as ["one", "two"]`,
		"[service.a]\nsource = [\"/x\"]\nstop = \"yes\"":                          "it must be true or false",
		"[retire]\ndays = \"7\"":                                                  "it must be a whole number",
		"repository = \"a":                                                        "line 1, column",
		"repository = \"a\"\nrepository = \"b\"":                                  "line 2, column",
		"repository = \"kist\"":                                                   "line 1: repository: \"kist\" must be an absolute path",
		"key-file = \"/a\"\npassphrase-file = \"/b\"":                             "line 2: passphrase-file: a key-file is given, too",
		"[service.a]":                                                             "line 1: service.a: one of source, container and from",
		"[service.a]\nsource=[\"/x\"]\ncontainer=[\"a\"]":                         "one of source, container and from",
		"[service.a]\nsource=[\"\"]":                                              "is empty",
		"[service.a]\nsource=[\"x\"]":                                             "absolute path",
		"[service.a]\nsource=[\"d=x\"]":                                           "absolute path",
		"[service.a]\nsource=[\"-\"]":                                             "standard input",
		"[service.a]\nsource=[\"/x\"]\nstop=true":                                 "go with container",
		"[service.a]\ncontainer=[\"x\"]\nstop=true\nlive=true":                    "line 4: service.a.live: stop is given, too",
		"[service.a]\nfrom=[\"x\"]\nversion=\"1\"\nversion-from=\"y\"":            "version is given, too",
		"[service.latest]\nsource=[\"/x\"]":                                       "a service is called by",
		"[service.\"a/b\"]\nsource=[\"/x\"]":                                      "a service is called by",
		"[service.20260314]\nsource=[\"/x\"]":                                     "a service is called by",
		"[service.\"a@b\"]\nsource=[\"/x\"]":                                      "a service is called by",
		"[service.a]\nsource=[\"/x\"]\n[service.a.rehearse]\nwatch=\"2 minutes\"": "line 4: service.a.rehearse.watch",
		"[service.a]\nsource=[\"/x\"]\n[service.a.upgrade]\nhealthy=\"x\"":        "up and down are for what is no container",
		"[verify]\nfull=true\nsample=\"5%\"":                                      "full is given, too",
	} {
		d, err := parse("kist.toml", []byte(text))
		if usage := (*cmdline.UsageError)(nil); !errors.As(err, &usage) || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "configuration kist.toml") {
			t.Errorf("%q: %v and %v, not %q", text, d, err, want)
		}
		if err != nil && strings.Contains(err.Error(), "struct") {
			t.Errorf("%q: %v names types of Go", text, err)
		}
	}
}

// TestLongest: a file of 1 MiB is read, and one that is longer is refused, as a whole.
func TestLongest(t *testing.T) {
	for more, refused := range []bool{false, true} {
		path := filepath.Join(t.TempDir(), "kist.toml")
		text := "repository = \"/mnt/kist\"\n#" + strings.Repeat("x", maxFile)
		if err := os.WriteFile(path, []byte(text[:1<<20+more]), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := Load([]string{path}, true)
		if refused != (err != nil) || refused && (!errors.As(err, new(*cmdline.UsageError)) || !strings.Contains(err.Error(), "longer than 1.0 MiB")) {
			t.Errorf("%d bytes more: %v", more, err)
		}
	}
}

func TestMissing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kist.toml")
	if _, err := Load([]string{path}, true); !errors.As(err, new(*cmdline.MissingError)) {
		t.Error(err)
	}
	if s, err := Load([]string{path}, false); err != nil || len(s.Paths) != 0 {
		t.Errorf("%+v, %v", s, err)
	}
}

// TestOthers: a file that others may change is not used, nor one in a folder where they may put
// another in its place.
func TestOthers(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("has no modes")
	}
	for _, c := range []struct {
		name         string
		file, folder os.FileMode
		refused      bool
	}{
		{"usual", 0o644, 0o755, false},
		{"written by a group", 0o664, 0o755, true},
		{"written by all", 0o602, 0o755, true},
		{"in a folder of all", 0o644, 0o777, true},
		{"in a folder of a group", 0o644, 0o775, true},
		{"in a folder of all, where none can take another's away", 0o644, 0o777 | os.ModeSticky, false},
	} {
		path := write(t, "kist.toml", "engine = \"one\"\n")
		if err := errors.Join(os.Chmod(path, c.file), os.Chmod(filepath.Dir(path), c.folder)); err != nil {
			t.Fatal(err)
		}
		_, err := Load([]string{path}, true)
		if errors.Is(err, files.ErrOthers) != c.refused || !c.refused && err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		link := filepath.Join(t.TempDir(), "link")
		if err := os.Symlink(path, link); err != nil {
			t.Fatal(err)
		}
		if _, err := Load([]string{link}, true); errors.Is(err, files.ErrOthers) != c.refused {
			t.Errorf("%s, by a link: %v", c.name, err)
		}
	}
	if os.Geteuid() == 0 {
		path := write(t, "kist.toml", "")
		if err := os.Chown(path, 12345, 12345); err != nil {
			t.Fatal(err)
		}
		if _, err := Load([]string{path}, true); !errors.Is(err, files.ErrOthers) {
			t.Errorf("of another user: %v", err)
		}
	}
}

// TestGetenv: the environment counts before the file, and what opens the repository is one thing.
func TestGetenv(t *testing.T) {
	s := &Settings{File: File{Repository: "r", KeyFile: "k", Engine: "e", Cache: "c", State: "s", Replica: "o", OtherPassphraseFile: "w"}}
	credentials := t.TempDir()
	if err := os.WriteFile(filepath.Join(credentials, "kist.passphrase"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		env  map[string]string
		want map[string]string
	}{
		{nil, map[string]string{"KIST_REPOSITORY": "r", "KIST_KEY_FILE": "k", "KIST_PASSPHRASE_FILE": "", "KIST_ENGINE": "e", "KIST_CACHE": "c", "KIST_STATE": "s", "HOME": ""}},
		{map[string]string{"KIST_REPOSITORY": "R", "HOME": "h"}, map[string]string{"KIST_REPOSITORY": "R", "HOME": "h", "KIST_KEY_FILE": "k"}},
		{map[string]string{"KIST_PASSPHRASE_FILE": "P"}, map[string]string{"KIST_PASSPHRASE_FILE": "P", "KIST_KEY_FILE": ""}},
		{map[string]string{"CREDENTIALS_DIRECTORY": credentials}, map[string]string{"KIST_KEY_FILE": "", "KIST_PASSPHRASE_FILE": ""}},
		{nil, map[string]string{"KIST_REPLICA": "o", "KIST_OTHER_KEY_FILE": "", "KIST_OTHER_PASSPHRASE_FILE": "w"}},
		{map[string]string{"KIST_OTHER_KEY_FILE": "K"}, map[string]string{"KIST_OTHER_KEY_FILE": "K", "KIST_OTHER_PASSPHRASE_FILE": "", "KIST_KEY_FILE": "k"}},
		{map[string]string{"KIST_KEY_FILE": "K"}, map[string]string{"KIST_OTHER_PASSPHRASE_FILE": "w"}},
		{map[string]string{"CREDENTIALS_DIRECTORY": t.TempDir()}, map[string]string{"KIST_KEY_FILE": "k"}},
	} {
		getenv := s.Getenv(func(key string) string { return c.env[key] })
		for key, want := range c.want {
			if got := getenv(key); got != want {
				t.Errorf("%v: %s is %q, not %q", c.env, key, got, want)
			}
		}
	}
	s.OtherKeyFile, s.OtherPassphraseFile = "d", ""
	getenv := s.Getenv(func(key string) string { return map[string]string{"KIST_OTHER_PASSPHRASE_FILE": "P"}[key] })
	if key, words := getenv("KIST_OTHER_KEY_FILE"), getenv("KIST_OTHER_PASSPHRASE_FILE"); key != "" || words != "P" {
		t.Errorf("%q and %q open the second place", key, words)
	}
	if key := s.Getenv(func(string) string { return "" })("KIST_OTHER_KEY_FILE"); key != "d" {
		t.Errorf("%q opens the second place", key)
	}
}

func FuzzParse(f *testing.F) {
	if seeds, err := filepath.Glob("testdata/fuzz/FuzzParse/*"); err != nil || len(seeds) < 15 {
		f.Fatalf("%d seeds are committed: %v", len(seeds), err)
	}
	f.Add("repository = \"/mnt/share/kist\"\n[service.seedbank]\nsource = [\"/srv/seedbank\"]\nlabel = {a = \"b\"}\n")
	f.Add("[service.a]\ncontainer=[\"x\"]\n[service.a.retire]\ndays=7\nutc=true\n")
	f.Add("a.b.c = [[1, 2.5], {x = 1979-05-27}]\n")
	f.Fuzz(func(t *testing.T, text string) {
		d, err := parse("kist.toml", []byte(text))
		if err != nil {
			if !errors.As(err, new(*cmdline.UsageError)) {
				t.Fatal(err)
			}
			return
		}
		for name, s := range d.file.Services {
			if strings.ContainsAny(name, "/@=") || len(s.Source)+len(s.Container)+len(s.From) == 0 {
				t.Fatalf("service %q: %+v", name, s)
			}
		}
	})
}
