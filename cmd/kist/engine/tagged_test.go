package engine

import "testing"

// TestTagged: a label tells the tag of an image that is named by its digest, and of no other.
func TestTagged(t *testing.T) {
	for _, test := range []struct{ image, label, want string }{
		{"localhost/seedbank@sha256:11", "localhost/seedbank:4.1.0", "localhost/seedbank:4.1.0"},
		{"mill:5000/seedbank@sha256:11", "mill:5000/seedbank:4.1.0", "mill:5000/seedbank:4.1.0"},
		{"localhost/seedbank@sha256:11", "localhost/other:4.1.0", "localhost/seedbank@sha256:11"},
		{"localhost/seedbank@sha256:11", "", "localhost/seedbank@sha256:11"},
		{"localhost/seedbank@sha256:11", "localhost/seedbank:4@sha256:22", "localhost/seedbank@sha256:11"},
		{"localhost/seedbank:4.2.0@sha256:11", "localhost/seedbank:4.1.0", "localhost/seedbank:4.2.0@sha256:11"},
		{"localhost/seedbank:4.2.0", "localhost/seedbank:4.1.0", "localhost/seedbank:4.2.0"},
	} {
		if got := tagged(test.image, map[string]string{LabelImage: test.label}); got != test.want {
			t.Errorf("%s with label %q is %s, not %s", test.image, test.label, got, test.want)
		}
	}
}
