package engine

import (
	"context"
	"encoding/json"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// TestNamesAreNoFlags: nothing that comes from outside stands where an engine looks for
// a flag. Whatever begins with a dash is the value of a flag, joined to it, or stands
// behind the image or behind --.
func TestNamesAreNoFlags(t *testing.T) {
	const odd = "--privileged"
	l := &Launch{
		Name: odd, Image: odd,
		Mounts: []Mount{{Type: "volume", Name: odd, Destination: odd, RW: true}, {Type: "bind", Source: odd, Destination: odd}, {Type: "volume", Name: strings.Repeat("ab", 32), Destination: odd, RW: true}},
		Config: json.RawMessage(`{"Hostname":"--privileged","User":"--privileged","WorkingDir":"--privileged","StopSignal":"--privileged",
			"Env":["--privileged=x"],"Labels":{"--privileged":"x"},"Entrypoint":["--privileged","--privileged"],"Cmd":["--privileged","--","-v"]}`),
		HostConfig: json.RawMessage(`{"PortBindings":{"80/tcp":[{"HostIp":"--privileged","HostPort":"--privileged"}]},
			"RestartPolicy":{"Name":"--privileged"},"NetworkMode":"--privileged","CapAdd":["--privileged"],"CapDrop":["--privileged"],
			"SecurityOpt":["--privileged"],"GroupAdd":["--privileged"],"Tmpfs":{"--privileged":""},"Devices":[{"PathOnHost":"--privileged"}],
			"Ulimits":[{"Name":"--privileged"}],"ExtraHosts":["--privileged"],"Dns":["--privileged"]}`),
		Networks: json.RawMessage(`{"--privileged":{}}`),
	}
	words := l.Command()
	end := slices.Index(words, "--")
	if end < 0 || words[end+1] != odd {
		t.Fatalf("%q: no -- before the image", words)
	}
	if slices.Contains(words[:end], odd) {
		t.Errorf("%q: a name stands for itself before the image", words[:end])
	}
	if want := []string{odd, odd, odd, "--", "-v"}; !slices.Equal(words[end+1:], want) {
		t.Errorf("%q behind --, not %q", words[end+1:], want)
	}
	for _, name := range []string{"--name", "--hostname", "--user", "--workdir", "--stop-signal", "--env", "--label", "--entrypoint", "--volume", "--tmpfs",
		"--publish", "--network", "--dns", "--add-host", "--cap-add", "--cap-drop", "--security-opt", "--group-add", "--device", "--restart", "--ulimit"} {
		if !slices.ContainsFunc(words[:end], func(w string) bool { return strings.HasPrefix(w, name+"=--privileged") }) {
			t.Errorf("%s has not its value joined to it: %q", name, words[:end])
		}
	}
}

// TestNoVariableOfTheHost: a variable without a value would be taken from whoever runs
// the command, and one that ends in * would take many.
func TestNoVariableOfTheHost(t *testing.T) {
	l := &Launch{Name: "seedbank", Image: "i", Config: json.RawMessage(`{"Env":["EMPTY=","NOTHING","*"]}`)}
	if got := strings.Join(l.Command(), " "); got != "create --name seedbank --env EMPTY= --env NOTHING= --env *= i" {
		t.Error(got)
	}
}

// parrot is an engine that always gives the same answer.
type parrot struct{ answer string }

func (c parrot) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	_, err := io.WriteString(stdout, c.answer)
	return err
}

// TestInspectRefusesOddIDs: an id becomes an argument, and part of a file's name.
func TestInspectRefusesOddIDs(t *testing.T) {
	for _, id := range []string{"--all", "-f", "a b", "a:b", "../x", "a/b", "\x1b", "a\n", ".", strings.Repeat("a", 300)} {
		b, _ := json.Marshal([]map[string]any{{"Id": id}})
		if c, err := NewWith("engine", parrot{answer: string(b)}).Inspect(t.Context(), "x"); err == nil || !strings.Contains(err.Error(), "no id") {
			t.Errorf("%q: %+v, %v", id, c, err)
		}
	}
	for _, id := range []string{"id-seedbank", "0123abc", "a_b.c"} {
		if _, err := NewWith("engine", parrot{answer: `[{"Id":"` + id + `"}]`}).Inspect(t.Context(), "x"); err != nil {
			t.Errorf("%q: %v", id, err)
		}
	}
}

func TestInspectRefusesFlagForName(t *testing.T) {
	c, err := NewWith("engine", parrot{answer: `[{"Id":"ab","Name":"/--all"}]`}).Inspect(t.Context(), "ab")
	if err == nil || !strings.Contains(err.Error(), "begins with a dash") {
		t.Errorf("%+v, %v", c, err)
	}
}

// TestPodmanTakesCommand lets a real engine look at such a command: it must miss the
// image, and not take its name for a flag.
func TestPodmanTakesCommand(t *testing.T) {
	if _, err := exec.LookPath(Default); err != nil {
		t.Skip(Default + " is missing")
	}
	for name, l := range map[string]*Launch{
		"image": {Name: "kist-test-dashes", Image: "--privileged"},
		"name":  {Name: "--help", Image: "localhost/kist-test-nosuch:1"},
		"flags": {Name: "kist-test-dashes", Image: "--help", Config: json.RawMessage(`{"Hostname":"--help","User":"--help","Env":["--help=x"],"Labels":{"--help":"x"},"Entrypoint":["--help"]}`)},
	} {
		words := l.Command()
		words[0] = "create"
		words = slices.DeleteFunc(words, func(w string) bool { return w == "--detach" })
		words = slices.Insert(words, 1, "--pull=never")
		out, err := exec.CommandContext(t.Context(), Default, words...).CombinedOutput()
		if err == nil || strings.Contains(string(out), "Usage:") || strings.Contains(string(out), "unknown flag") {
			t.Errorf("%s: %q gives %v: %s", name, words, err, out)
		}
		t.Logf("%s: %s", name, out)
	}
}

// refusing is an engine that refuses all.
type refusing struct{ said string }

func (c refusing) Run(_ context.Context, _ []string, _ io.Reader, _, stderr io.Writer) error {
	io.WriteString(stderr, c.said)
	return &exec.ExitError{}
}

// TestOddNamesInErrors: a name that steers a terminal, or looks like more than one, is quoted in errors: in the command, and
// where nothing is found by it. One such as engines allow stays as it is.
func TestOddNamesInErrors(t *testing.T) {
	const odd = "bed\x1b[2J\nRestored: all is well"
	for _, said := range []string{"no such container", "permission denied"} {
		_, err := NewWith("engine", refusing{said}).Inspect(t.Context(), odd)
		if err == nil || strings.ContainsAny(err.Error(), "\x1b\n") || !strings.Contains(err.Error(), `-- "bed\x1b[2J\nRestored: all is well"`) {
			t.Errorf("%s: %v", said, err)
		}
	}
	_, err := NewWith("engine", parrot{"[]"}).Inspect(t.Context(), odd)
	if err == nil || err.Error() != `container "bed\x1b[2J\nRestored: all is well": not found` {
		t.Error(err)
	}
	_, err = NewWith("engine", refusing{"no such container"}).Inspect(t.Context(), "seedbank_1.db-2")
	if err == nil || !strings.Contains(err.Error(), "-- seedbank_1.db-2:") {
		t.Error(err)
	}
}
