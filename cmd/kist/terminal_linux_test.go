package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// terminal is a pseudo-terminal: the side of the person, and that of the
// program.
type terminal struct {
	t      *testing.T
	person *os.File
	name   string
	screen []byte
	known  string // KIST_STATE
}

func newTerminal(t *testing.T) *terminal {
	t.Helper()
	person, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	t.Cleanup(func() { person.Close() })
	fd := int(person.Fd())
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	return &terminal{t: t, person: person, name: fmt.Sprintf("/dev/pts/%d", n), known: t.TempDir()}
}

func (x *terminal) open() (*os.File, error) {
	return os.OpenFile(x.name, os.O_RDWR|syscall.O_NOCTTY, 0)
}

// await reads the screen until text has appeared n times.
func (x *terminal) await(text string, n int) {
	x.t.Helper()
	buf := make([]byte, 1024)
	for bytes.Count(x.screen, []byte(text)) < n {
		got, err := x.person.Read(buf)
		if err != nil {
			x.t.Fatalf("the screen shows %q and not %q: %v", x.screen, text, err)
		}
		x.screen = append(x.screen, buf[:got]...)
	}
}

// enter types a line once the program has turned the echo off.
func (x *terminal) enter(line string) {
	x.awaitSilence()
	if _, err := x.person.WriteString(line + "\n"); err != nil {
		x.t.Fatal(err)
	}
}

// run runs the program with the terminal, and gives its status at the end.
func (x *terminal) run(ctx context.Context, stderr *bytes.Buffer, args ...string) <-chan int {
	keep, err := x.open() // so that the screen outlives the program's hold of it
	if err != nil {
		x.t.Fatal(err)
	}
	a := newApp(strings.NewReader(""), &bytes.Buffer{}, stderr, func(key string) string {
		if key == "KIST_STATE" {
			return x.known
		}
		return ""
	})
	a.tty = x.open
	done := make(chan int, 1)
	go func() {
		defer keep.Close()
		done <- a.run(ctx, args)
	}()
	return done
}

func TestPassphrasePrompt(t *testing.T) {
	repo := filepath.Join(t.TempDir(), "repo")
	var stderr bytes.Buffer

	x := newTerminal(t)
	done := x.run(t.Context(), &stderr, "setup", "--repository", repo)
	x.await("New passphrase: ", 1)
	x.enter("Mill Lane 14")
	x.await("The same again: ", 1)
	x.enter("Mill Lane 15")
	if status := <-done; status != statusFailed || !strings.Contains(stderr.String(), "the two passphrases differ") {
		t.Fatal(status, stderr.String())
	}
	if _, err := os.Stat(repo); !errors.Is(err, os.ErrNotExist) {
		t.Fatalf("something was left: %v", err)
	}

	done = x.run(t.Context(), &stderr, "setup", "--repository", repo)
	x.await("New passphrase: ", 2)
	x.enter("Mill Lane 14")
	x.await("The same again: ", 2)
	x.enter("Mill Lane 14")
	if status := <-done; status != statusDone {
		t.Fatal(status, stderr.String())
	}

	stderr.Reset()
	done = x.run(t.Context(), &stderr, "list", "--repository", repo)
	x.await("Passphrase: ", 1)
	x.enter("Mill Lane 15")
	x.await("Passphrase: ", 2)
	x.enter("Mill Lane 14")
	if status := <-done; status != statusDone || !strings.Contains(stderr.String(), "that passphrase opens no key slot") {
		t.Fatal(status, stderr.String())
	}
	if bytes.Contains(x.screen, []byte("Mill")) {
		t.Errorf("the screen shows a passphrase: %q", x.screen)
	}

	stderr.Reset()
	done = x.run(t.Context(), &stderr, "list", "--repository", repo)
	for try := range maxTries {
		x.await("Passphrase: ", 3+try)
		x.enter("Mill Lane 15")
	}
	if status := <-done; status != statusFailed || !strings.Contains(stderr.String(), "wrong passphrase") {
		t.Fatal(status, stderr.String())
	}
}

// TestPromptInterrupted: the terminal gets its echo back.
func TestPromptInterrupted(t *testing.T) {
	repo := filepath.Join(t.TempDir(), "repo")
	var stderr bytes.Buffer
	x := newTerminal(t)
	ctx, cancel := context.WithCancel(t.Context())
	done := x.run(ctx, &stderr, "setup", "--repository", repo)
	x.await("New passphrase: ", 1)
	x.awaitSilence()
	cancel()
	if status := <-done; status != statusFailed || !strings.Contains(stderr.String(), "interrupted") {
		t.Fatal(status, stderr.String())
	}
	if !x.echo() {
		t.Error("the terminal does not echo")
	}
	if _, err := os.Stat(repo); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("something was left: %v", err)
	}
}

func (x *terminal) awaitSilence() {
	for x.echo() {
		runtime.Gosched()
	}
}

func (x *terminal) echo() bool {
	x.t.Helper()
	state, err := unix.IoctlGetTermios(int(x.person.Fd()), unix.TCGETS)
	if err != nil {
		x.t.Fatal(err)
	}
	return state.Lflag&unix.ECHO != 0
}

// TestTextOnTerminal: what a text holds that a terminal obeys is escaped on one; elsewhere it stays as it is, for patch.
func TestTextOnTerminal(t *testing.T) {
	b := newBench(t)
	for _, text := range []string{"bean \x1b[31m1\n", "bean \x1b[31m2\nend\n"} {
		if err := os.WriteFile(b.path("seedbank", "catalogue.dat"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		b.must("capture", "--name", "seedbank", "--version", strconv.Itoa(len(text)), b.path("seedbank"))
	}
	compare := []string{"compare", "seedbank@12", "seedbank@16", "--text", "catalogue.dat"}
	b.must(compare...)
	if !strings.Contains(b.stdout.String(), "+bean \x1b[31m2\n") {
		t.Errorf("changed where it is no terminal: %q", &b.stdout)
	}
	x := newTerminal(t)
	out, err := x.open()
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	env := map[string]string{"KIST_REPOSITORY": b.path("repo"), "KIST_KEY_FILE": b.path("key"), "KIST_CACHE": "off", "KIST_STATE": b.known}
	a := newApp(strings.NewReader(""), out, &bytes.Buffer{}, func(key string) string { return env[key] })
	if status := a.run(t.Context(), compare); status != statusDone {
		t.Fatalf("status %d", status)
	}
	x.await("+end", 1)
	if bytes.Contains(x.screen, []byte("\x1b")) || !bytes.Contains(x.screen, []byte(`+bean \x1b[31m2`)) {
		t.Errorf("the screen was sent %q", x.screen)
	}
}
