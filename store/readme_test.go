package store_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
)

// TestReadmeCompiles has the compiler check the program in README.md.
func TestReadmeCompiles(t *testing.T) {
	oneByOne(t)
	page, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	shown := regexp.MustCompile("(?s)\n```go\n(.*?)```\n").FindAllSubmatch(page, -1)
	if len(shown) != 1 {
		t.Fatalf("README.md has %d pieces of Go code, where one is looked for", len(shown))
	}
	file := filepath.Join(t.TempDir(), "main.go")
	if err := os.WriteFile(file, shown[0][1], 0o600); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command("go", "vet", file).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, said)
	}
}
