package sources

import "testing"

func TestSplit(t *testing.T) {
	for in, want := range map[string][2]string{
		"data=/srv/x": {"data", "/srv/x"}, "data=x=y": {"data", "x=y"}, "data=-": {"data", "-"}, "a b=x": {"a b", "x"},
		"./a=b": {"", "./a=b"}, "/srv/a=b": {"", "/srv/a=b"}, "data": {"", "data"}, "-": {"", "-"}, "": {"", ""},
	} {
		if name, path, err := Split(in); err != nil || name != want[0] || path != want[1] {
			t.Errorf("%q: %q, %q, %v", in, name, path, err)
		}
	}
	for _, in := range []string{"=x", "data=", ".=x", "..=x", "a\nb=x", "a\xff=x", "a\u202eb=x"} {
		if name, path, err := Split(in); err == nil {
			t.Errorf("%q: %q, %q", in, name, path)
		}
	}
}
