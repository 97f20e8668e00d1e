package cmdline

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/urfave/cli/v2"
)

// sample gives flags and commands.
func sample() (shared []cli.Flag, commands []*cli.Command) {
	return []cli.Flag{&cli.StringFlag{Name: "key-file"}, &cli.BoolFlag{Name: "json"}}, []*cli.Command{
		{Name: "restore", Flags: []cli.Flag{&cli.StringFlag{Name: "into"}, &cli.BoolFlag{Name: "devices"}}},
		{Name: "passphrase", Subcommands: []*cli.Command{{Name: "add", Flags: []cli.Flag{&cli.StringFlag{Name: "key-file"}}}}},
	}
}

func isUsage(err error) bool {
	_, ok := errors.AsType[*UsageError](err)
	return ok
}

func TestArrange(t *testing.T) {
	shared, commands := sample()
	for _, c := range []struct{ in, want string }{
		{"", "kist"},
		{"restore A", "kist restore -- A"},
		{"restore A --into D", "kist restore --into D -- A"},
		{"restore --into D A --json", "kist --json restore --into D -- A"},
		{"--json restore -into=D A --key-file K --devices", "kist --json --key-file K restore -into=D --devices -- A"},
		{"restore -- A --into", "kist restore -- A --into"},
		{"restore - --into -", "kist restore --into - -- -"},
		{"restore --into --json A", "kist restore --into --json -- A"}, // a value may look like a flag
		{"--key-file OLD passphrase add --key-file NEW", "kist --key-file OLD passphrase add --key-file NEW --"},
		{"passphrase --key-file OLD add", "kist --key-file OLD passphrase add --"},
		{"restore --json=false A", "kist --json=false restore -- A"},
	} {
		line, err := Arrange(shared, commands, strings.Fields(c.in))
		if err != nil {
			t.Errorf("%q: %v", c.in, err)
			continue
		}
		if got := strings.Join(line.Args(), " "); got != c.want {
			t.Errorf("%q: %q, not %q", c.in, got, c.want)
		}
	}
	for _, in := range []string{"lend", "--into D restore", "restore --lend", "restore --into", "passphrase", "passphrase lend", "-- restore", "passphrase -- add"} {
		if line, err := Arrange(shared, commands, strings.Fields(in)); !isUsage(err) {
			t.Errorf("%q: %v and %v, not wrong usage", in, line, err)
		}
	}
}

func TestArrangeHelp(t *testing.T) {
	shared, commands := sample()
	for _, in := range []string{"passphrase add -h", "-h passphrase add", "passphrase --help add"} {
		line, err := Arrange(shared, commands, strings.Fields(in))
		if err != nil || !line.Help || !slices.Equal(line.Words, []string{"passphrase", "add"}) {
			t.Errorf("%q: %+v, %v", in, line, err)
		}
	}
}

// FuzzArrange holds that no argument is lost or made up.
func FuzzArrange(f *testing.F) {
	f.Add("restore A --into D --json")
	f.Add("passphrase add --key-file - -- --x")
	f.Add("-h --json=1 restore")
	shared, commands := sample()
	f.Fuzz(func(t *testing.T, in string) {
		args := strings.Split(in, " ")
		line, err := Arrange(shared, commands, args)
		if err != nil {
			return
		}
		got := slices.Concat(line.shared, line.Words, line.flags, line.rest)
		want := slices.DeleteFunc(slices.Clone(args), func(s string) bool { return s == "-h" || s == "--help" })
		for _, s := range got {
			i := slices.Index(args, s)
			if i < 0 {
				t.Fatalf("%q: %q was made up", in, s)
			}
		}
		if !slices.Contains(args, "--") && !line.Help && len(got) != len(want) {
			t.Fatalf("%q: %q, not %q", in, got, want)
		}
	})
}
