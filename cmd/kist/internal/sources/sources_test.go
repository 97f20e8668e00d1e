package sources

import "testing"

func TestVolumeNames(t *testing.T) {
	for in, want := range map[string]string{
		"/srv/seedbank": "seedbank", "/srv/seedbank/": "seedbank", "a/seedbank-4.1.0.tar.gz": "seedbank-4.1.0",
		"x.tar": "x", "x.tgz": "x", "x.tar.zst": "x", "x.tar.xz": "x", "x.sql.gz": "x.sql.gz", ".tar": ".tar",
		"/": "root", "/srv/b\xffd": "b_d", "/srv/..": "root",
	} {
		if got, err := Name(in); err != nil || got != want {
			t.Errorf("%q: %q, %v, not %q", in, got, err, want)
		}
	}
	taken := make(Names)
	for _, want := range []string{"data", "data-2", "data-3"} {
		if got := taken.Distinct("data"); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}
