package volume

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// excludePaths are what patterns are tried on; a slash at the end is a folder.
var excludePaths = []string{
	"a", "b", "ab", "abc", "a.log", "#x", "!x", "sp ", "s p", "[a]", "a*b", `back\slash`, "-", "]", "^", ".hidden", "{a,b}",
	"d/", "d/a", "d/b", "d/ab", "d/a.log", "d/.hidden", "d/e/", "d/e/a", "d/e/b", "d/e/a.log", "d/e/f/", "d/e/f/a", "d/e/f/b.log",
	"e/", "e/a", "e/d/", "e/d/a", "e/f/", "e/f/b", "foo/", "foo/bar/", "foo/bar/foo", "foo/bar/a", "logs/", "logs/a.log", "logs/keep.log",
}

// excludeCases are sets of patterns, most of them after the examples in gitignore(5).
var excludeCases = []string{
	"a", "/a", "a/", "d/", "/d/", "d", "*", "/*", "*.log", "/*.log", "d/*.log", "d/a", "/d/a", "e/d/", "d/e", "d/*", "*/a", "*/*/a",
	"**/a", "**/d", "**/d/a", "d/**", "/d/**", "**/e/**", "d/**/a", "d/**/*.log", "**", "**/", "/**", "/**/", "**/**", "d/**/", "a**b", "**b", "a**",
	"*\n!a", "!a\n*", "*\n!*/", "*\n!d/\n!d/a", "/*\n!/foo\n/foo/*\n!/foo/bar", "logs/*\n!logs/keep.log", "logs/\n!logs/keep.log",
	"*.log\n!keep.log", "*.log\n!keep.log\nlogs/keep.log", "d/e/\n!d/e/a", "#x", `\#x`, `\!x`, "!x", "#x\n!x", "a ", `sp\ `, `sp\  `, "s p", "sp", " a",
	"?", "??", "d?e", "[ab]", "[!a]", "[^a]", "[a-c]", "[!a-c]*", `\[a\]`, `a\*b`, `back\\slash`, "d[!x]a", "***/a", "d/***", `[\]]`, "[a^]", `{a,b}`,
	"", "/", "//", "!", "!/", "d//a", "./a", "../a", "d/.", ".*", "d/.*", "foo/bar/foo", "bar", "foo/", "bar/foo", "/bar", "a\r", "D", "f/", "e/**/f/",
}

// excluded gives what patterns exclude of the paths, as Walk sees it: nothing is looked for in an
// excluded folder.
func excluded(t *testing.T, patterns string) []string {
	t.Helper()
	x, err := newExcluder(strings.Split(patterns, "\n"))
	if err != nil {
		t.Fatalf("%q: %v", patterns, err)
	}
	var out []string
	for _, p := range excludePaths {
		name, folder := strings.CutSuffix(p, "/")
		above := false
		for parent := path.Dir(name); parent != "."; parent = path.Dir(parent) {
			above = above || x.excludes(parent, true)
		}
		if above || x.excludes(name, folder) {
			out = append(out, name)
		}
	}
	return out
}

// gitExcluded asks git the same (git-check-ignore(1)).
func gitExcluded(t *testing.T, repo, patterns string) []string {
	t.Helper()
	ok(t, os.WriteFile(repo+"/.gitignore", []byte(patterns+"\n"), 0o600))
	var in bytes.Buffer
	for _, p := range excludePaths {
		in.WriteString(strings.TrimSuffix(p, "/") + "\x00")
	}
	cmd := exec.Command("git", "-C", repo, "-c", "core.excludesFile=/dev/null", "-c", "core.ignoreCase=false", "check-ignore", "--no-index", "--stdin", "-z")
	cmd.Stdin = &in
	out, err := cmd.Output()
	var exit *exec.ExitError
	if err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 1) { // 1: none is ignored
		t.Fatal(err)
	}
	return strings.FieldsFunc(string(out), func(r rune) bool { return r == 0 })
}

// excludeRepo has all the paths.
func excludeRepo(t *testing.T) string {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal("needs git")
		}
		t.Skip("needs git")
	}
	repo := t.TempDir()
	if out, err := exec.Command("git", "init", "-q", repo).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, p := range excludePaths {
		full := filepath.Join(repo, p)
		if strings.HasSuffix(p, "/") {
			ok(t, os.MkdirAll(full, 0o700))
		} else {
			ok(t, os.WriteFile(full, nil, 0o600))
		}
	}
	return repo
}

func TestExcludeLikeGit(t *testing.T) {
	repo := excludeRepo(t)
	for _, patterns := range excludeCases {
		if got, want := excluded(t, patterns), gitExcluded(t, repo, patterns); !slices.Equal(got, want) {
			t.Errorf("%q: excluded are\n%q, by git\n%q", patterns, got, want)
		}
	}
}

// TestExcludeLikeGitAtRandom makes patterns of pieces. Malformed ones are left out: they match nothing
// in git and are errors here.
func TestExcludeLikeGitAtRandom(t *testing.T) {
	repo := excludeRepo(t)
	random := rand.New(rand.NewPCG(1, 2))
	pieces := []string{"a", "b", "d", "e", "f", ".log", "*", "**", "?", "/", "/", "/**/", "**/", "/**", "[ab]", "[!a]", "foo", "bar", `\a`, " "}
	for range 200 {
		var lines []string
		for range 1 + random.IntN(4) {
			line := ""
			if random.IntN(3) == 0 {
				line = "!"
			}
			for range 1 + random.IntN(5) {
				line += pieces[random.IntN(len(pieces))]
			}
			lines = append(lines, line)
		}
		patterns := strings.Join(lines, "\n")
		if got, want := excluded(t, patterns), gitExcluded(t, repo, patterns); !slices.Equal(got, want) {
			t.Errorf("%q: excluded are\n%q, by git\n%q", patterns, got, want)
		}
	}
}

func TestBadExclude(t *testing.T) {
	for _, pattern := range []string{"[", "a[", "[]", "[a", "d/[", `a\`, "[[:digit:]]", "[a[:alpha:]]", "[b-]", "d[/]a"} {
		if _, err := newExcluder([]string{"a", pattern}); !errors.Is(err, path.ErrBadPattern) {
			t.Errorf("%q: %v", pattern, err)
		}
	}
}

func FuzzExclude(f *testing.F) {
	for _, patterns := range excludeCases {
		f.Add(patterns, "d/e/f/a")
	}
	f.Fuzz(func(t *testing.T, patterns, name string) {
		x, err := newExcluder(strings.Split(patterns, "\n"))
		if err != nil {
			if !errors.Is(err, path.ErrBadPattern) {
				t.Fatal(err)
			}
			return
		}
		if len(name) < 100 && len(patterns) < 100 {
			x.excludes(name, true)
			x.excludes(name, false)
		}
	})
}
