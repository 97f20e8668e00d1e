package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/trees"
)

// release is a version of the sample service, and when it is captured.
type release struct{ version, taken string }

func releases() []release {
	return []release{{"4.1.0", "2026-01-17 02:03"}, {"4.1.1", "2026-02-14 02:03"}, {"4.2.0", "2026-03-14 02:03"}}
}

// Options say where a demo works, and by what.
type Options struct {
	Screen *screen.Screen
	Dir    string // a new or empty folder, which holds all that is made
	// Run runs a command of the program in an environment, and gives its exit status.
	Run func(ctx context.Context, args []string, stdout io.Writer, env map[string]string) int
}

// demo is one run of the demo.
type demo struct {
	Options
	ctx     context.Context
	service *service
	ids     []string // of the captures
	states  []state  // of the service when each was made
}

// ErrDiffers means that a restored tree is not what was captured.
var ErrDiffers = errors.New("what was restored differs from what was captured")

// Show makes the sample service, captures, restores and compares it, and thins its captures
// out, telling what it does. It fails with ErrDiffers where something did not come back.
func Show(ctx context.Context, o Options) error {
	d := &demo{Options: o, ctx: ctx}
	for _, step := range []func() error{d.begin, d.captureAll, d.look, d.goBack, d.compareLatest, d.saving, d.thinOut} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// Columns is how wide what a demo tells and shows is, but where one word is wider: it may be put into a page as it is.
const Columns = 80

// tell prints a paragraph.
func (d *demo) tell(format string, args ...any) {
	d.Screen.Printf("%s", screen.Wrap(fmt.Sprintf("\n"+format+"\n", args...), Columns))
}

func (d *demo) path(parts ...string) string {
	return filepath.Join(append([]string{d.Dir}, parts...)...)
}

func (d *demo) begin() error {
	var err error
	if d.service, err = newService(d.path("hazel", "seedbank")); err != nil {
		return err
	}
	d.tell("A seed library's catalogue server, seedbank, runs on the machine hazel. Its data volume: a catalogue with its write-ahead log, accession records, certificates, configuration.\n")
	d.tell("First a repository; it may lie on a mounted share. A key file opens it here, which suits timers. Without --key-file a passphrase is asked for.")
	d.show("export KIST_REPOSITORY=" + screen.ShellQuote(d.path("repository")) + "\n$ export KIST_KEY_FILE=" + screen.ShellQuote(d.path("kist.key")))
	_, err = d.kist("setup")
	return err
}

// show prints a command line.
func (d *demo) show(line string) { d.Screen.Printf("\n$ %s\n", line) }

// kist shows a command line, runs it and gives what it printed.
func (d *demo) kist(args ...string) (string, error) {
	words := []string{"kist"}
	for _, arg := range args {
		words = append(words, screen.ShellQuote(arg))
	}
	d.show(commandLine(words))
	env := map[string]string{
		"KIST_REPOSITORY": d.path("repository"), "KIST_KEY_FILE": d.path("kist.key"), "KIST_STATE": d.path("state"),
		"KIST_CONFIG": "off",
	}
	var printed bytes.Buffer
	if d.Screen.Quiet {
		args = append([]string{"--quiet"}, args...)
	}
	if status := d.Run(d.ctx, args, teeWriter{d.Screen.Out, &printed}, env); status != 0 {
		return "", fmt.Errorf("the demo stopped: kist %s ended with status %d", words[1], status)
	}
	return printed.String(), nil
}

// commandLine joins words, and breaks the line, as a shell takes it, where it is too long.
func commandLine(words []string) string {
	const prompt, broken = 2, 2 // "$ ", " \\"
	line, at := words[0], prompt+len(words[0])
	for _, word := range words[1:] {
		n := screen.Columns(word)
		if at+1+n+broken > Columns {
			line, at = line+" \\\n   ", 3
		}
		line, at = line+" "+word, at+1+n
	}
	return line
}

// teeWriter writes to both.
type teeWriter struct {
	to   *screen.Output
	copy *bytes.Buffer
}

func (t teeWriter) Write(p []byte) (int, error) {
	t.copy.Write(p)
	return t.to.Write(p)
}

// captureAll captures the service before each upgrade, and upgrades it.
func (d *demo) captureAll() error {
	d.tell("Before each upgrade the service is stopped and captured, with its version and how it was launched. The --taken here only stands for the months between.")
	for i, r := range releases() {
		if i > 0 {
			d.tell("Some weeks later; seedbank now runs as %s, and people have used it.", r.version)
			if err := d.service.upgrade(i); err != nil {
				return err
			}
		}
		was, err := d.service.state(d.ctx)
		if err != nil {
			return err
		}
		printed, err := d.kist("capture", "--name", "seedbank", "--version", r.version, "--host", "hazel",
			"--taken", r.taken, "--note", "seedbank --config config/seedbank.toml", d.service.dir)
		if err != nil {
			return err
		}
		d.ids = append(d.ids, strings.TrimSpace(printed))
		d.states = append(d.states, was)
	}
	return nil
}

func (d *demo) look() error {
	d.tell("What there is, and what each capture added:")
	if _, err := d.kist("list"); err != nil {
		return err
	}
	d.tell("Is all of it there and unharmed? --full opens every frame.")
	if _, err := d.kist("verify", "--full"); err != nil {
		return err
	}
	_, err := d.kist("contents", "seedbank@latest", "certificates", "config")
	return err
}

// goBack restores the capture before the last one.
func (d *demo) goBack() error {
	version := releases()[1].version
	d.tell("Suppose that the upgrade does not come up. Version %s and its data are wanted back. They are built beside the new folder, verified, and only then appear under its name:", version)
	dir := d.path("hazel", "seedbank-"+version)
	if _, err := d.kist("restore", d.ids[1], "--into", dir); err != nil {
		return err
	}
	restored, err := (&service{dir: dir}).state(d.ctx)
	if err != nil {
		return err
	}
	if restored.digest != d.states[1].digest {
		return fmt.Errorf("%s: %w", dir, ErrDiffers)
	}
	d.tell("Read again as a tar stream, the restored folder has the SHA-256 that the live folder had when it was captured, %.16s…: contents, names, modes, times, owners, links, attributes.", restored.digest)
	return nil
}

// compareLatest restores the last capture and compares it with the live folder.
func (d *demo) compareLatest() error {
	d.tell("The last capture, restored beside the live folder, and every file of the two compared:")
	dir := d.path("hazel", "seedbank-restored")
	if _, err := d.kist("restore", "seedbank@latest", "--into", dir); err != nil {
		return err
	}
	n, err := trees.Compare(d.service.dir, dir)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDiffers, err)
	}
	d.tell("Compared %s by name, kind, mode, size, time, link target and content: all are the same.", screen.Count(n, "entry", "entries"))
	return nil
}

// saving compares the repository with plain compressed tarballs.
func (d *demo) saving() error {
	stored, err := trees.Size(d.path("repository"))
	if err != nil {
		return err
	}
	var plain, packed int64
	for _, s := range d.states {
		plain += s.length
		packed += s.compressed
	}
	d.tell("The three volumes as tar streams:                                   %8s\n"+
		"Three tarballs, each by itself under zstd level 3 (as the Go library\n"+
		"klauspost/compress has it, SpeedDefault):                           %8s\n"+
		"The repository, every file of it counted, and encrypted:            %8s\n"+
		"(%.0f%% of the tarballs)",
		screen.Size(uint64(plain)), screen.Size(uint64(packed)), screen.Size(uint64(stored)), 100*float64(stored)/float64(packed))
	return nil
}

// thinOut retires a capture by a rule, and frees its space.
func (d *demo) thinOut() error {
	before, err := trees.Size(d.path("repository"))
	if err != nil {
		return err
	}
	rule := []string{"retire", "--months", "2", "--versions", "1"}
	d.tell("Captures need not stay for ever. A rule says which do; first, what it would mean:")
	if _, err := d.kist(append(rule, "--dry-run")...); err != nil {
		return err
	}
	if _, err := d.kist(rule...); err != nil {
		return err
	}
	d.tell("Retired captures can still be restored, and taken back, for a grace time. kist reclaim frees their space after it; here without it, since nobody else is at work:")
	if _, err := d.kist("reclaim", "--grace", "0"); err != nil {
		return err
	}
	after, err := trees.Size(d.path("repository"))
	if err != nil {
		return err
	}
	d.tell("The repository went from %s to %s, and what is left is as it was:", screen.Size(uint64(before)), screen.Size(uint64(after)))
	_, err = d.kist("verify", "--full")
	return err
}
