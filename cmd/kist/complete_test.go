package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/completion"
)

// completed gives what is offered for a line, in an environment.
func completed(t *testing.T, env map[string]string, words ...string) string {
	t.Helper()
	var out, stderr bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &stderr, func(key string) string { return env[key] })
	a.tty = func() (*os.File, error) {
		t.Error("somebody is asked")
		return noTerminal()
	}
	if status := a.run(t.Context(), append([]string{"complete", "--"}, words...)); status != 0 || stderr.Len() > 0 {
		t.Errorf("%q: status %d, %s", words, status, stderr.String())
	}
	return out.String()
}

// TestCompleteSilently: where no key file opens the repository, or anything is wrong, nothing is
// asked for, nothing said, and what needs no repository is completed.
func TestCompleteSilently(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.toml")
	words := filepath.Join(dir, "words")
	for path, text := range map[string]string{bad: "nonsense", words: "seven beds of seeds"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for name, env := range map[string]map[string]string{
		"nothing":         {"KIST_CONFIG": "off"},
		"no repository":   {"KIST_CONFIG": "off", "KIST_REPOSITORY": dir, "KIST_KEY_FILE": words},
		"a passphrase":    {"KIST_CONFIG": "off", "KIST_REPOSITORY": dir, "KIST_PASSPHRASE_FILE": words},
		"a bad file":      {"KIST_CONFIG": bad},
		"a missing file":  {"KIST_CONFIG": filepath.Join(dir, "none")},
		"an engine's end": {"KIST_CONFIG": "off", "KIST_ENGINE": filepath.Join(dir, "none")},
	} {
		for _, line := range []string{"show ", "contents x ", "restore --volume ", "passphrase remove ", "capture --container ", "list --name ", "nonsense ", "-- "} {
			if got := completed(t, env, strings.Split(line, " ")...); strings.Contains(got, "\t") && !strings.HasPrefix(got, "latest") {
				t.Errorf("%s: %q gives %q", name, line, got)
			}
		}
		if got := completed(t, env, "compa"); !strings.HasPrefix(got, "compare\t") {
			t.Errorf("%s: %q", name, got)
		}
	}
	if completeTime >= 2*time.Second {
		t.Error("it is promised to take less than two seconds")
	}
}

// TestCompleteByKeyFileAlone: captures are looked up where a key file opens the repository, and not where a passphrase
// would, which takes its time, though a file has it.
func TestCompleteByKeyFileAlone(t *testing.T) {
	dir := t.TempDir()
	words, key := filepath.Join(dir, "words"), filepath.Join(dir, "kist.key")
	if err := os.WriteFile(words, []byte("seven beds of seeds"), 0o600); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"KIST_CONFIG": "off", "KIST_REPOSITORY": filepath.Join(dir, "repository"), "KIST_STATE": "off", "KIST_CACHE": "off", "KIST_PASSPHRASE_FILE": words}
	run := func(words ...string) {
		t.Helper()
		var stderr bytes.Buffer
		a := newApp(strings.NewReader(""), io.Discard, &stderr, func(key string) string { return env[key] })
		if status := a.run(t.Context(), words); status != 0 {
			t.Fatalf("%q: status %d, %s", words, status, stderr.String())
		}
	}
	run("setup")
	run("passphrase", "add", "--key-file", key)
	opens := func() bool {
		a := newApp(strings.NewReader(""), io.Discard, io.Discard, func(key string) string { return env[key] })
		k := &completing{ctx: t.Context(), asked: &completion.Asked{Words: []string{"show"}}}
		k.app = a.silent(k.asked)
		defer func() {
			if k.r != nil {
				k.r.Close()
			}
		}()
		return k.open()
	}
	if opens() {
		t.Error("a passphrase opens it")
	}
	delete(env, "KIST_PASSPHRASE_FILE")
	env["KIST_KEY_FILE"] = key
	if !opens() {
		t.Error("a key file does not open it")
	}
}

// TestCompleteFlags: each flag is completed, and its value by what it is called.
func TestCompleteFlags(t *testing.T) {
	env := map[string]string{"KIST_CONFIG": "off"}
	for line, want := range map[string]string{
		"restore --int":            "--into\twrite the files into DIR\n",
		"restore --into ":          "\tfolders\n",
		"restore --tar ":           "\tfiles\n",
		"--key-file ":              "\tfiles\n",
		"help --completion ":       "bash\t\nzsh\t\nfish\t\n",
		"schedule --on-calendar=w": "--on-calendar=weekly\t\n",
		"capture --note ":          "",
		"capture -- --no":          "\tfiles\n",
		"help passphrase rem":      "remove\ttake a key slot away\n",
		"kept ":                    "\tfolders\n",
		"setup --recheck o":        "on\t\noff\t\n",
	} {
		if got := completed(t, env, strings.Split(line, " ")...); got != want {
			t.Errorf("%q: %q, not %q", line, got, want)
		}
	}
}
