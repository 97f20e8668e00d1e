package places

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

func TestCache(t *testing.T) {
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
		if got := Cache(func(key string) string { return test.env[key] }); got != test.want {
			t.Errorf("%v: got %q, want %q", test.env, got, test.want)
		}
	}
}

func TestState(t *testing.T) {
	absolute := t.TempDir()
	for _, test := range []struct {
		env  map[string]string
		want string
	}{
		{map[string]string{"KIST_STATE": "off", "XDG_STATE_HOME": absolute}, ""},
		{map[string]string{"KIST_STATE": absolute, "STATE_DIRECTORY": "/else"}, absolute},
		{map[string]string{"STATE_DIRECTORY": absolute + ":/elsewhere", "XDG_STATE_HOME": "/else"}, absolute},
		{map[string]string{"XDG_STATE_HOME": absolute}, filepath.Join(absolute, "kist")},
	} {
		got, why := State(func(key string) string { return test.env[key] })
		if got != test.want || (got == "") != (why != "") {
			t.Errorf("%v: got %q (%s), want %q", test.env, got, why, test.want)
		}
	}
	if runtime.GOOS == "linux" && os.Geteuid() == 0 {
		if got, _ := State(func(string) string { return "" }); got != "/var/lib/kist" { // where the notes are that containers are stopped
			t.Errorf("root's folder is %s", got)
		}
	}
}
