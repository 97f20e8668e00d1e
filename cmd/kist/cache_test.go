package main

import (
	"os"
	"path/filepath"
	"testing"
)

func TestCacheFolder(t *testing.T) {
	dir, err := os.UserCacheDir()
	if err != nil {
		t.Skip(err)
	}
	absolute := t.TempDir()
	for _, test := range []struct {
		env  map[string]string
		want string
	}{
		{map[string]string{}, ""},
		{map[string]string{"HOME": "/home/hazel"}, filepath.Join(dir, "kist")},
		{map[string]string{"HOME": "/home/hazel", "KIST_CACHE": "off"}, ""},
		{map[string]string{"HOME": "/home/hazel", "KIST_CACHE": absolute}, absolute},
		{map[string]string{"HOME": "/home/hazel", "XDG_CACHE_HOME": absolute}, filepath.Join(absolute, "kist")},
		{map[string]string{"CACHE_DIRECTORY": absolute + ":/elsewhere", "XDG_CACHE_HOME": "/else"}, absolute},
		{map[string]string{"XDG_CACHE_HOME": "relative"}, ""},
	} {
		a := &app{getenv: func(key string) string { return test.env[key] }}
		if got := a.cacheFolder(); got != test.want {
			t.Errorf("%v: got %q, want %q", test.env, got, test.want)
		}
	}
}
