package store_test

import (
	"bufio"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The pages that name files of code, from this folder, and below which folders, as they say
// themselves or is plain there.
var (
	pagesOfCode  = []string{"../README.md", "../DEVELOPERS.md", "FORMAT.md"}
	foldersNamed = []string{"..", ".", "internal", "../cmd/kist"}
)

var (
	inBackticks = regexp.MustCompile("`([^`\n]+)`")
	codeFile    = regexp.MustCompile(`^[\w./-]+\.go$`)
	aTest       = regexp.MustCompile(`\b(Test|Fuzz)[A-Z]\w*`)
	roomRow     = regexp.MustCompile("^\\| `(\\w+)` \\|")
	fileAndFunc = regexp.MustCompile("`([\\w./-]+\\.go)`: (`\\w+`(?:, `\\w+`)*)")
)

// TestPagesNameWhatIsThere: files, functions and tests that pages name are there.
func TestPagesNameWhatIsThere(t *testing.T) {
	oneByOne(t)
	tests := testsOfTree(t)
	files, functions := 0, 0
	for _, name := range pagesOfCode {
		page, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		defer page.Close()
		lines := bufio.NewScanner(page)
		for n := 1; lines.Scan(); n++ {
			line, folders := lines.Text(), foldersNamed
			if m := roomRow.FindStringSubmatch(line); m != nil {
				folders = []string{path.Join("internal", m[1])}
			}
			for _, m := range inBackticks.FindAllStringSubmatch(line, -1) {
				if codeFile.MatchString(m[1]) {
					if files++; findFile(m[1], folders) == "" {
						t.Errorf("%s:%d: there is no %s", name, n, m[1])
					}
				}
				for _, test := range aTest.FindAllString(m[1], -1) {
					if !slices.Contains(tests, test) {
						t.Errorf("%s:%d: there is no %s", name, n, test)
					}
				}
			}
			for _, m := range fileAndFunc.FindAllStringSubmatch(line, -1) {
				there := functionsOf(t, findFile(m[1], folders))
				for _, f := range inBackticks.FindAllStringSubmatch(m[2], -1) {
					if functions++; !slices.Contains(there, f[1]) {
						t.Errorf("%s:%d: there is no %s in %s", name, n, f[1], m[1])
					}
				}
			}
		}
		if err := lines.Err(); err != nil {
			t.Fatal(err)
		}
	}
	if files < 100 || functions < 40 {
		t.Errorf("only %d files and %d functions are found: the test does not see them", files, functions)
	}
}

// TestPageNamesEveryRoom: the page draws all rooms.
func TestPageNamesEveryRoom(t *testing.T) {
	page, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]string{}
	for line := range strings.Lines(string(page)) {
		if m := roomRow.FindStringSubmatch(line); m != nil {
			rows[m[1]] += line
		}
	}
	for _, room := range slices.Concat(foundation, slices.Collect(maps.Keys(upper))) {
		if rows[room] == "" {
			t.Errorf("the room %s is not in the table", room)
		}
	}
}

func findFile(name string, folders []string) string {
	for _, folder := range folders {
		at := filepath.Join(folder, filepath.FromSlash(name))
		if info, err := os.Stat(at); err == nil && info.Mode().IsRegular() {
			return at
		}
	}
	return ""
}

// functionsOf gives the names of a file's functions and methods.
func functionsOf(t *testing.T, name string) (all []string) {
	t.Helper()
	if name == "" {
		return nil
	}
	file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range file.Decls {
		if f, ok := d.(*ast.FuncDecl); ok {
			all = append(all, f.Name.Name)
		}
	}
	return all
}

// testsOfTree gives the names of all tests and fuzz targets.
func testsOfTree(t *testing.T) (all []string) {
	t.Helper()
	declared := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)\w+)\(`)
	err := filepath.WalkDir("..", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, "_test.go") {
			return err
		}
		content, err := os.ReadFile(name)
		for _, m := range declared.FindAllStringSubmatch(string(content), -1) {
			all = append(all, m[1])
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}
