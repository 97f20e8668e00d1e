package trees

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestCompare: each way in which two folders can differ is found.
func TestCompare(t *testing.T) {
	when := time.Date(2026, 3, 14, 2, 3, 4, 5, time.UTC)
	grow := func(t *testing.T) string {
		dir := t.TempDir()
		file, link := filepath.Join(dir, "beds", "1"), filepath.Join(dir, "first")
		for _, err := range []error{
			os.Mkdir(filepath.Dir(file), 0o700), os.WriteFile(file, []byte("beans"), 0o600), os.Chtimes(file, when, when),
			os.Chtimes(filepath.Dir(file), when, when), os.Symlink("beds/1", link), os.Chmod(dir, 0o700),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
		return dir
	}
	settle := func(dir, as string) { // times of what no test can set
		for _, name := range []string{".", "first"} {
			is, err := os.Lstat(filepath.Join(as, name))
			if err == nil {
				err = setTime(filepath.Join(dir, name), is.ModTime())
			}
			if err != nil {
				t.Skip(err)
			}
		}
	}
	for name, change := range map[string]func(dir string) error{
		"": func(string) error { return nil },
		"more": func(dir string) error {
			err := os.WriteFile(filepath.Join(dir, "beds", "2"), nil, 0o600)
			os.Chtimes(filepath.Join(dir, "beds"), when, when)
			return err
		},
		"gone": func(dir string) error {
			err := os.Remove(filepath.Join(dir, "beds", "1"))
			os.Chtimes(filepath.Join(dir, "beds"), when, when)
			return err
		},
		"content": func(dir string) error {
			path := filepath.Join(dir, "beds", "1")
			err := os.WriteFile(path, []byte("peas!"), 0o600)
			os.Chtimes(path, when, when)
			return err
		},
		"time": func(dir string) error {
			return os.Chtimes(filepath.Join(dir, "beds", "1"), when, when.Add(time.Nanosecond))
		},
		"mode": func(dir string) error { return os.Chmod(filepath.Join(dir, "beds", "1"), 0o400) },
		"link": func(dir string) error {
			path := filepath.Join(dir, "first")
			os.Remove(path)
			return os.Symlink("beds/2", path)
		},
	} {
		a, b := grow(t), grow(t)
		if err := change(b); err != nil {
			t.Fatal(name, err)
		}
		settle(b, a)
		n, err := Compare(a, b)
		if (err == nil) != (name == "") || err == nil && n != 4 {
			t.Errorf("%q: %d entries, %v", name, n, err)
		}
	}
}

func TestSize(t *testing.T) {
	dir := t.TempDir()
	for name, length := range map[string]int{"a": 3, "b": 4} {
		if err := os.WriteFile(filepath.Join(dir, name), make([]byte, length), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := Size(dir); err != nil || n != 7 {
		t.Errorf("%d, %v", n, err)
	}
}
