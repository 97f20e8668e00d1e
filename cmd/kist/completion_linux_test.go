package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// completionRoom is a folder with a repository of two captures, a configuration and the scripts.
func completionRoom(t *testing.T) (dir string, env []string) {
	t.Helper()
	dir = t.TempDir()
	env = append(os.Environ(), "HOME="+dir, "TERM=dumb", "PS1=$ ", "TZ=UTC", "KIST_CACHE=off", "KIST_STATE="+filepath.Join(dir, "state"),
		"KIST_REPOSITORY="+filepath.Join(dir, "repo"), "KIST_KEY_FILE="+filepath.Join(dir, "key"), "KIST_CONFIG="+filepath.Join(dir, "kist.toml"), "LC_ALL=C.UTF-8")
	for path, text := range map[string]string{
		"kist.toml":              "[service.seedbank-of-hazel]\nsource = [\"/srv/seedbank\"]\n",
		"beds/catalogue/plants":  "rows",
		"beds/catalogue/readers": "rows",
		"beds/with space":        "rows",
	} {
		path = filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range []string{"setup", "capture --name seedbank --version 4.1.0 ./beds", "capture --name seedbank --version 4.2.0 ./beds"} {
		runIn(t, dir, env, "kist", strings.Fields(args)...)
	}
	for _, shell := range []string{"bash", "zsh", "fish"} {
		script := runIn(t, dir, env, "kist", "help", "--completion", shell)
		if err := os.WriteFile(filepath.Join(dir, "script."+shell), []byte(script), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, env
}

func runIn(t *testing.T, dir string, env []string, program string, args ...string) string {
	t.Helper()
	var stderr bytes.Buffer
	c := exec.CommandContext(t.Context(), program, args...)
	c.Dir, c.Env, c.Stderr = dir, env, &stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", program, args, err, stderr.String())
	}
	return string(out)
}

// completions are lines with the key that completes at their end, and what then stands there.
var completions = []struct{ typed, want string }{
	{"kist capt", "kist capture "},
	{"kist passphrase rem", "kist passphrase remove "},
	{"kist list --reti", "kist list --retired "},
	{"kist show seedbank@4.2", "kist show seedbank@4.2.0 "},
	{"kist show seedbank@lat", "kist show seedbank@latest "},
	{"kist list --name=seed", "kist list --name=seedbank "},
	{"kist list --name see", "kist list --name seedbank "},
	{"kist retire seedbank-", "kist retire seedbank-of-hazel "},
	{"kist restore seedbank@latest --only catalogue/pl", "kist restore seedbank@latest --only catalogue/plants "},
	{"kist contents seedbank@latest cat", "kist contents seedbank@latest catalogue/"},
	{"kist --key-file ke", "kist --key-file key "},
	{"kist help comp", "kist help compare "},
}

// TestCompletion: shells really complete: bash and zsh on a terminal, fish by what its own
// complete --do-complete gives.
func TestCompletion(t *testing.T) {
	if testing.Short() {
		t.Skip("starts shells on terminals")
	}
	dir, env := completionRoom(t)
	for shell, args := range map[string][]string{"bash": {"--norc", "--noprofile", "-i"}, "zsh": {"-f", "-i"}} {
		t.Run(shell, func(t *testing.T) {
			needShellOf(t, shell)
			begin := map[string]string{
				"bash": "bind 'set bell-style none'; bind 'set enable-bracketed-paste off'; source ./script.bash",
				"zsh":  "PROMPT='$ '; unsetopt beep; autoload -U compinit; compinit -u -D; source ./script.zsh",
			}[shell]
			x := shellOn(t, dir, env, shell, args, begin)
			for _, c := range completions {
				x.complete(c.typed, c.want)
			}
		})
	}
	t.Run("fish", func(t *testing.T) {
		needShellOf(t, "fish")
		for _, c := range completions {
			out := runIn(t, dir, env, "fish", "--no-config", "--command", "source ./script.fish; complete --do-complete "+"'"+c.typed+"'")
			words := strings.Fields(c.want)
			want := words[len(words)-1]
			first, _, _ := strings.Cut(strings.TrimRight(out, "\n"), "\t")
			if first != want {
				t.Errorf("%s: %q, not %q alone", c.typed, out, want)
			}
		}
	})
}

func needShellOf(t *testing.T, shell string) {
	t.Helper()
	if _, err := exec.LookPath(shell); err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
}

// shellOn starts a shell on a terminal of its own.
func shellOn(t *testing.T, dir string, env []string, shell string, args []string, begin string) *terminal {
	t.Helper()
	x := newTerminal(t)
	tty, err := x.open()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(shell, args...)
	c.Dir, c.Env = dir, env
	c.Stdin, c.Stdout, c.Stderr = tty, tty, tty
	c.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true, Ctty: 0}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	tty.Close()
	// What is not completed is never shown: reading ends with the shell, then.
	ends := time.AfterFunc(2*time.Minute, func() { c.Process.Kill() })
	t.Cleanup(func() {
		ends.Stop()
		c.Process.Kill()
		c.Wait()
	})
	x.press(begin + "; printf 'REA%s\\n' DY\n")
	x.await("READY\r\n", 1)
	return x
}

func (x *terminal) press(keys string) {
	x.t.Helper()
	if _, err := x.person.WriteString(keys); err != nil {
		x.t.Fatal(err)
	}
}

// complete types a line and a tab, sees what becomes of it, and takes the line away.
func (x *terminal) complete(typed, want string) {
	x.t.Helper()
	x.screen = nil
	x.press(typed + "\t")
	buf := make([]byte, 1024)
	for !strings.Contains(shownOn(x.screen), want) {
		got, err := x.person.Read(buf)
		if err != nil {
			x.t.Fatalf("%s<Tab>: the screen shows %q and not %q: %v", typed, x.screen, want, err)
		}
		x.screen = append(x.screen, buf[:got]...)
	}
	x.press("\x15")
}

var controls = regexp.MustCompile("\x1b\\[[0-9;?]*[A-Za-z]")

// shownOn gives what a terminal shows of bytes that were sent to it: a cursor that goes back is
// followed, other sequences of ECMA-48 are left out.
func shownOn(sent []byte) string {
	var out, line []byte
	at := 0
	for _, b := range controls.ReplaceAll(sent, nil) {
		switch b {
		case '\b':
			at = max(at-1, 0)
		case '\r':
			at = 0
		case '\n':
			out, line, at = append(append(out, line...), '\n'), nil, 0
		default:
			line = append(line[:min(at, len(line))], append([]byte{b}, line[min(at+1, len(line)):]...)...)
			at++
		}
	}
	return string(append(out, line...))
}
