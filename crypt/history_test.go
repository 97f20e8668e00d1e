package crypt

import (
	"crypto/hkdf"
	"crypto/sha256"
	"errors"
	"testing"

	other "lukechampine.com/blake3"
)

// TestHashCapture compares with a second BLAKE3.
func TestHashCapture(t *testing.T) {
	for _, record := range []string{"", "\xa0", "a record"} {
		if got, want := HashCapture([]byte(record)), Digest(other.Sum256([]byte("kist 1 capture hash"+record))); got != want {
			t.Errorf("%q: %s, want %s", record, got, want)
		}
	}
}

// TestFingerprint compares with RFC 5869 in the standard library, and tells keys and
// repositories apart.
func TestFingerprint(t *testing.T) {
	root, other, repo := NewRootKey(), NewRootKey(), NewRepositoryID()
	got, err := root.Fingerprint(repo)
	if err != nil {
		t.Fatal(err)
	}
	want, err := hkdf.Key(sha256.New, root.material()[:], repo[:], "kist state 1 root key fingerprint", 32)
	if err != nil || got != Digest(want) {
		t.Errorf("%s, want %x (%v)", got, want, err)
	}
	for _, label := range []string{labelIdentity, labelBoundary, labelWrapping, labelManifest} {
		if label == fingerprintInfo {
			t.Errorf("%q is that of a key", label)
		}
	}
	if f, _ := other.Fingerprint(repo); f == got {
		t.Error("another key has the same fingerprint")
	}
	if f, _ := root.Fingerprint(NewRepositoryID()); f == got {
		t.Error("it is the same in another repository")
	}
	root.Wipe()
	if _, err := root.Fingerprint(repo); !errors.Is(err, ErrEmptySecret) {
		t.Errorf("of a wiped key: %v", err)
	}
}
