package store_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// commandLine is what looks like a command of the program, or a flag of one.
var commandLine = regexp.MustCompile(`\bkist (add|capture|compare|contents|demo|help|hold|list|passphrase|reclaim|release|repair|restore|resume|retire|schedule|setup|show|slots|unlock|usage|verify)\b|(^|[ (:])--[a-z]`)

// No text of the library has a command line: it says what is so, and the program, which may be
// another one, says what to do.
func TestTextsOfLibrary(t *testing.T) {
	files := 0
	for _, dir := range []string{".", "../crypt", "../chunk"} {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			files++
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			for _, found := range commandsIn(t, path, b) {
				t.Errorf("a text of the library has a command line: %s", found)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 100 {
		t.Errorf("only %d files were looked at", files)
	}
	// The test finds what it is for.
	for text, bad := range map[string]bool{
		`"gone (kist repair tells more)"`: true, "`see\nkist help verify`": true, `"take it with --accept-new-root"`: true,
		`"no kist repository"`: false, `"kist format %d\n"`: false, `"repairing removes it"`: false, `"a -- b"`: false,
	} {
		if got := commandsIn(t, "x.go", []byte("package x\nconst c = "+text)); (len(got) > 0) != bad {
			t.Errorf("%s: found %q", text, got)
		}
	}
}

// commandsIn gives the string literals of a file that have a command line in them.
func commandsIn(t *testing.T, path string, b []byte) (found []string) {
	t.Helper()
	set := token.NewFileSet()
	f, err := parser.ParseFile(set, path, b, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
			if text, err := strconv.Unquote(l.Value); err != nil || commandLine.MatchString(text) {
				found = append(found, set.Position(l.Pos()).String()+": "+l.Value)
			}
		}
		return true
	})
	return found
}
