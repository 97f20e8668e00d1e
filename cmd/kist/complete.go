package main

import (
	"cmp"
	"context"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/completion"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// completeWord is the command that shells ask; package completion says how.
const completeWord = "complete"

// Whoever waits for a word presses the key again: what takes longer is left out.
const completeTime = 1500 * time.Millisecond

// mostCompleted is how many words are offered.
const mostCompleted = 500

func (a *app) completeCommand() *cli.Command {
	return &cli.Command{
		Name:   completeWord,
		Hidden: true,
		Usage:  "tell a shell which words may stand at the end of a command line",
		Description: `
The scripts of kist help --completion ask it. It opens the repository with a key
file alone, and asks for nothing; it says nothing of what it can't read, and ends
within two seconds.

Example:
  kist complete -- restore seedbank@`,
		Action: func(*cli.Context) error { return nil }, // dispatch does it
	}
}

// candidate is a word that may stand there, and what it means.
type candidate struct{ word, means string }

// complete prints what may stand in the place of the last word. It fails only where printing does.
func (a *app) complete(ctx context.Context, words []string) error {
	ctx, cancel := context.WithTimeout(ctx, completeTime)
	defer cancel()
	asked := completion.Ask(sharedFlags(), a.commands(), words)
	k := &completing{app: a.silent(asked), ctx: ctx, asked: asked}
	type answer struct {
		found []candidate
		paths string
	}
	done := make(chan answer, 1)
	go func() { // a share that is gone may keep a call for ever
		found, paths := k.find()
		done <- answer{found, paths}
	}()
	select {
	case got := <-done:
		a.printCandidates(asked, got.found, got.paths)
	case <-ctx.Done():
	}
	return nil
}

func (a *app) printCandidates(asked *completion.Asked, found []candidate, paths string) {
	n := 0
	for _, c := range found {
		if !strings.HasPrefix(c.word, asked.Current) || !screen.IsVisible(c.word) || c.word == "" {
			continue
		}
		if n++; n > mostCompleted {
			break
		}
		a.Printf("%s%s\t%s\n", asked.Before, c.word, screen.Shorten(screen.Printable(c.means), 50))
	}
	if paths != "" {
		a.Printf("\t%s\n", paths)
	}
}

// silent is the program for looking things up: nothing is asked for and nothing is said.
func (a *app) silent(asked *completion.Asked) *app {
	b := *a
	b.Screen = screen.New(io.Discard, io.Discard)
	b.Quiet, b.host = true, ""
	b.shared = shared{
		repository: asked.Shared["repository"], keyFile: asked.Shared["key-file"], passphraseFile: asked.Shared["passphrase-file"],
	}
	if err := b.readConfig(asked.Shared["config"]); err != nil {
		b.environment = b.getenv
	}
	return &b
}

// completing looks for words.
type completing struct {
	app   *app
	ctx   context.Context
	asked *completion.Asked

	opened  bool
	r       *repository
	listing *store.Listing
}

// find gives the words that may stand there, and whether files or folders may, too.
func (k *completing) find() (found []candidate, paths string) {
	defer func() {
		if k.r != nil {
			k.r.Close()
		}
	}()
	asked := k.asked
	switch {
	case asked.Flag != nil:
		return k.values(asked.Flag)
	case asked.Flags != nil:
		for _, f := range asked.Flags {
			name, _, usage := completion.Describe(f)
			found = append(found, candidate{"--" + name, usage})
		}
		return found, ""
	case len(asked.Commands) > 0:
		for _, c := range asked.Commands {
			if !c.Hidden {
				found = append(found, candidate{c.Name, c.Usage})
			}
		}
		return found, ""
	case len(asked.Words) == 0:
		return nil, ""
	}
	return k.arguments(strings.Join(asked.Words, " "))
}

// arguments completes what is no flag, by the command.
func (k *completing) arguments(command string) (found []candidate, paths string) {
	switch command {
	case "capture", "schedule":
		return k.services(), "files"
	case "upgrade":
		return k.services(), "files"
	case "kept":
		return nil, "folders"
	case "rehearse":
		if _, newest := k.asked.Own["newest"]; newest {
			return k.names(), ""
		}
		return slices.Concat(k.services(), k.captures()), ""
	case "retire":
		return slices.Concat(k.services(), k.captures()), ""
	case "contents", "find":
		if len(k.asked.Args) > 0 {
			return k.members(k.asked.Args[0]), ""
		}
		return k.captures(), ""
	case "show", "verify", "restore", "compare", "amend", "hold", "release", "usage", "replicate":
		return k.captures(), ""
	case "passphrase remove", "passphrase change":
		return k.slots(), ""
	case "help":
		return k.helpWords(), ""
	}
	return nil, ""
}

// values completes the value of a flag, by its name, else by what its value is called.
func (k *completing) values(f cli.Flag) (found []candidate, paths string) {
	flag, value, _ := completion.Describe(f)
	switch flag {
	case "name":
		return k.names(), ""
	case "host":
		return k.hosts(), ""
	case "container":
		return k.containers(), ""
	case "service":
		return k.services(), ""
	case "volume":
		return k.volumes(), ""
	case "only":
		if len(k.asked.Args) > 0 {
			return k.members(k.asked.Args[0]), ""
		}
		return nil, ""
	case "on-calendar":
		return plain("hourly", "daily", "weekly", "monthly"), ""
	case "completion":
		return plain(completion.Shells()...), ""
	case "recheck":
		return plain("on", "off"), ""
	case "repository", "into", "units", "scratch", "keep", "man-into":
		return nil, "folders"
	}
	switch value {
	case "OTHER":
		return nil, "folders"
	case "FILE", "PATH":
		return nil, "files"
	case "DIR":
		return nil, "folders"
	}
	return nil, ""
}

func plain(words ...string) (found []candidate) {
	for _, word := range words {
		found = append(found, candidate{word: word})
	}
	return found
}

func (k *completing) services() (found []candidate) {
	for _, name := range k.app.config.ServiceNames() {
		found = append(found, candidate{name, "service of the configuration"})
	}
	return found
}

// helpWords are the commands that help may be asked of.
func (k *completing) helpWords() (found []candidate) {
	commands := k.app.commands()
	for _, word := range k.asked.Args {
		i := slices.IndexFunc(commands, func(c *cli.Command) bool { return c.Name == word })
		if i < 0 {
			return nil
		}
		commands = commands[i].Subcommands
	}
	for _, c := range commands {
		if !c.Hidden {
			found = append(found, candidate{c.Name, c.Usage})
		}
	}
	return found
}

func (k *completing) containers() []candidate {
	names, err := k.app.engine(cmp.Or(k.asked.Own["engine"], k.app.getenv("KIST_ENGINE"), engine.Default)).Names(k.ctx)
	if err != nil {
		return nil
	}
	return plain(names...)
}

// open opens the repository, once, if a key file does: a passphrase would have to be asked for,
// and takes its time.
func (k *completing) open() bool {
	if k.opened {
		return k.listing != nil
	}
	k.opened = true
	files, err := k.app.secretFiles()
	if err != nil || files.Key == "" {
		return false
	}
	if k.r, err = k.app.open(k.ctx); err != nil {
		return false
	}
	k.listing, err = k.app.listing(k.ctx, k.r)
	return err == nil
}

// captures gives ids, the newest first, and the words that stand for the newest of each name and version.
func (k *completing) captures() (found []candidate) {
	if !k.open() {
		return nil
	}
	undone := k.asked.Words[0] == "retire" && k.has("undo")
	seen := make(map[string]bool)
	for _, c := range slices.Backward(k.listing.Captures) {
		if (c.Retired != nil) != undone {
			continue
		}
		taken := screen.LocalTime(c.Taken)
		words := []string{c.Name + "@latest"}
		if c.Version != "" {
			words = append(words, c.Name+"@"+c.Version)
		}
		for _, word := range words {
			if !undone && !seen[word] {
				seen[word] = true
				found = append(found, candidate{word, taken + ", " + c.ID})
			}
		}
		found = append(found, candidate{c.ID, strings.TrimSpace(c.Name+" "+c.Version) + ", " + taken})
	}
	return append(found, candidate{"latest", "taken last"})
}

func (k *completing) has(flag string) bool {
	_, ok := k.asked.Own[flag]
	return ok
}

// labelled gives each value that captures have, once.
func (k *completing) labelled(value func(*store.Capture) string) []candidate {
	if !k.open() {
		return nil
	}
	seen := make(map[string]bool)
	for _, c := range k.listing.Captures {
		seen[value(c)] = true
	}
	return plain(slices.Sorted(maps.Keys(seen))...)
}

func (k *completing) names() []candidate {
	return k.labelled(func(c *store.Capture) string { return c.Name })
}

func (k *completing) hosts() []candidate {
	return k.labelled(func(c *store.Capture) string { return c.Host })
}

func (k *completing) capture(selector string) *store.Capture {
	if !k.open() {
		return nil
	}
	c, err := k.app.meant(k.listing, selector)
	if err != nil {
		return nil
	}
	return c
}

func (k *completing) volumes() (found []candidate) {
	if len(k.asked.Args) == 0 {
		return nil
	}
	if c := k.capture(k.asked.Args[0]); c != nil {
		for i := range c.Volumes {
			found = append(found, candidate{c.Volumes[i].Name, c.Volumes[i].Source})
		}
	}
	return found
}

// members gives the members of a capture that begin as the word does, up to their next slash.
func (k *completing) members(selector string) (found []candidate) {
	c := k.capture(selector)
	if c == nil {
		return nil
	}
	typed := k.asked.Current
	seen := make(map[string]bool)
	for i := range c.Volumes {
		for m, err := range k.r.Members(k.ctx, &c.Volumes[i]) {
			if err != nil {
				return found
			}
			path := strings.TrimPrefix(m.Path, "./")
			if !strings.HasPrefix(path, typed) {
				continue
			}
			if slash := strings.IndexByte(path[len(typed):], '/'); slash >= 0 {
				path = path[:len(typed)+slash+1]
			}
			if path == "" || seen[path] {
				continue
			}
			seen[path] = true
			if found = append(found, candidate{word: path}); len(found) == mostCompleted {
				return found
			}
		}
	}
	return found
}

func (k *completing) slots() (found []candidate) {
	if !k.open() {
		return nil
	}
	slots, err := k.r.Slots(k.ctx)
	if err != nil {
		return nil
	}
	for _, s := range slots {
		means := "damaged"
		if s.Slot != nil {
			means = string(s.Slot.Kind()) + " " + s.Slot.Label()
		}
		found = append(found, candidate{string(s.ID), means})
	}
	return found
}
