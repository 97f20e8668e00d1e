package storage

import (
	"errors"
	"regexp"
	"strings"
	"testing"
)

func TestCheckName(t *testing.T) {
	long := strings.Repeat("z", 64)
	for _, name := range []string{
		"a", "kist.json", "slabs/ab/0123", "a.b-c", "a--b", "a..b", "0", "console", "com", "com10", "lpt", "x.con", "nul-x",
		long, strings.Join([]string{long, long, long, long}, "/"),
	} {
		if err := CheckName(name); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
	for _, name := range []string{
		"", "/", "a/", "/a", "a//b", ".", "..", "../a", "a/..", ".a", "a.", "-a", "a/-b", "A", "a_b", "a b", "a:b", "a\\b", "a\x00", "ä", "a\xff",
		"con", "nul", "aux.txt", "prn", "a/com1", "lpt9.x.y", "com0", long + "z", "a/b/c/d/e",
	} {
		if err := CheckName(name); !errors.Is(err, ErrBadName) {
			t.Errorf("%q: got %v, want ErrBadName", name, err)
		}
	}
}

// The same rules, said by a regular expression. The devices are those of "Naming
// Files, Paths, and Namespaces" in Microsoft's Win32 documentation (from memory).
var (
	anElement = regexp.MustCompile(`^[a-z0-9]([a-z0-9.-]{0,62}[a-z0-9-])?$`)
	aDevice   = regexp.MustCompile(`^(con|prn|aux|nul|(com|lpt)[0-9])(\..*)?$`)
)

func FuzzCheckName(f *testing.F) {
	for _, name := range []string{"", "a", "slabs/ab/x", "con", "com1.x", "a/b/c/d/e", "a.", "-", "a/../b", strings.Repeat("a", 65), "A", "\xff"} {
		f.Add(name)
	}
	f.Fuzz(func(t *testing.T, name string) {
		elements := strings.Split(name, "/")
		want := len(elements) <= 4
		for _, e := range elements {
			want = want && anElement.MatchString(e) && !aDevice.MatchString(e)
		}
		err := CheckName(name)
		if (err == nil) != want {
			t.Errorf("%q: got %v, want it accepted: %v", name, err, want)
		}
		if err != nil && !errors.Is(err, ErrBadName) {
			t.Errorf("%q: %v is not ErrBadName", name, err)
		}
		if isAside(elements[len(elements)-1]) && err == nil {
			t.Errorf("%q could be a file written aside", name)
		}
	})
}
