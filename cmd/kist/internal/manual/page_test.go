package manual

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func hostile() *Page {
	return &Page{
		Name: "kist-sample", Command: "kist sample", Summary: "a page of 'all' that is \"hard\" to write, longer than what one line of it may hold", Synopsis: "[FLAGS] SOURCE… or --container NAME",
		Release: "kist 1.0", Date: "2026-03-14",
		Text:  ".begins with a period\nand 'goes' on with \\ and - ^ ~ `.\n\n  'indented .lines\n    stay \\fBso\n\nThe end…\n\nExample:\n  kist sample 'a b' \\\n    --flag\n  .x",
		Lists: []List{{Title: "Flags", Items: []Item{{Name: "--flag", Value: "VALUE", Text: "'what' it says"}, {Name: "--bare", Text: ".so"}}}, {Title: "Commands"}},
		See:   []string{"kist", "kist-other"},
	}
}

// TestLint: mandoc(1) has nothing to say against a page.
func TestLint(t *testing.T) {
	program, err := exec.LookPath("mandoc")
	if err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	path := filepath.Join(t.TempDir(), "kist-sample.1")
	if err := os.WriteFile(path, []byte(hostile().String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(program, "-T", "lint", "-W", "style", path).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%v\n%s\n%s", err, out, hostile())
	}
	out, err := exec.Command(program, "-T", "utf8", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	shown := bare(string(out))
	for _, want := range []string{
		"kist sample [FLAGS] SOURCE… or --container NAME", ".begins with a period and 'goes' on with \\ and - ^ ~ `.", "'indented .lines\n", "stay \\fBso", "kist sample 'a b' \\\n", "--flag VALUE",
		"'what' it says", ".so", "\n         .x\n", "kist(1), kist-other(1)",
	} {
		if !strings.Contains(shown, want) {
			t.Errorf("%q is missing in\n%s", want, shown)
		}
	}
	if strings.Contains(shown, "COMMANDS") {
		t.Error("an empty section is shown")
	}
}

// bare takes the overstriking away by which terminals are shown bold and underlined text.
func bare(text string) string {
	var out []rune
	for _, r := range text {
		if r == '\b' {
			out = out[:len(out)-1]
		} else {
			out = append(out, r)
		}
	}
	return string(out)
}
