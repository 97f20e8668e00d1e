package config

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// TestReadme: the configuration that the README shows is one.
func TestReadme(t *testing.T) {
	page, err := os.ReadFile(filepath.Join("../../../..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(page), "```toml\n")
	text, _, ok := strings.Cut(text, "```")
	if !ok {
		t.Fatal("README.md shows no configuration")
	}
	d, err := parse("README.md", []byte(text))
	if err != nil || len(d.file.Services) < 3 {
		t.Fatalf("%+v, %v", d, err)
	}
}

// TestKeysAreFields: each field has a key, and none twice in a table.
func TestKeysAreFields(t *testing.T) {
	for _, table := range []any{File{}, Service{}, Rules{}, Rotation{}, Rehearsal{}, UpgradeChoice{}, Verification{}, Status{}} {
		seen := make(map[string]bool)
		for f := range fieldsOf(reflect.TypeOf(table)) {
			key := f.Tag.Get("toml")
			if key == "" || seen[key] {
				t.Errorf("%T: %s has the key %q", table, f.Name, key)
			}
			seen[key] = true
		}
	}
}
