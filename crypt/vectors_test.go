package crypt

import (
	"bytes"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"

	"golang.org/x/crypto/chacha20poly1305"
	other "lukechampine.com/blake3"
)

// needTool returns the path of an outside program. Without it the test is
// skipped, or fails where every tool must be there.
func needTool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	switch {
	case err == nil:
	case os.Getenv("KIST_TEST_REQUIRE") == "all":
		t.Fatalf("%s is required: %v", name, err)
	default:
		t.Skipf("%s is not installed", name)
	}
	return path
}

func runTool(t *testing.T, stdin []byte, path string, args ...string) string {
	t.Helper()
	cmd := exec.Command(path, args...)
	cmd.Stdin = bytes.NewReader(stdin)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %v: %v", path, args, err)
	}
	return strings.TrimSpace(string(out))
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// counting returns the bytes from first on, n of them.
func counting(first byte, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = first + byte(i)
	}
	return b
}

// Source: RFC 5869, appendices A.1, A.2 and A.3.
func TestHKDFVectors(t *testing.T) {
	for _, v := range []struct {
		name               string
		secret, salt, info []byte
		extracted, output  string
	}{
		{
			"A.1", bytes.Repeat([]byte{0x0b}, 22), counting(0, 13), counting(0xf0, 10),
			"077709362c2e32df0ddc3f0dc47bba6390b6c73bb50f9c3122ec844ad7c2b3e5",
			"3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
		},
		{
			"A.2", counting(0, 80), counting(0x60, 80), counting(0xb0, 80),
			"06a6b88c5853361a06104c9ceb35b45cef760014904671014a193f40c15fc244",
			"b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c59045a99cac7827271cb41c65e590e09da3275600c2f09b8367793a9aca3db71cc30c58179ec3e87c14c01d5c1f3434f1d87",
		},
		{
			"A.3", bytes.Repeat([]byte{0x0b}, 22), nil, nil,
			"19ef24a32c717b167f33a91d6f648bdf96596776afdb6377ac434c1c293ccb04",
			"8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8",
		},
	} {
		t.Run(v.name, func(t *testing.T) {
			extracted, err := hkdf.Extract(sha256.New, v.secret, v.salt)
			if err != nil || hex.EncodeToString(extracted) != v.extracted {
				t.Errorf("extract: %x, %v; want %s", extracted, err, v.extracted)
			}
			output, err := hkdf.Expand(sha256.New, extracted, string(v.info), len(v.output)/2)
			if err != nil || hex.EncodeToString(output) != v.output {
				t.Errorf("expand: %x, %v; want %s", output, err, v.output)
			}
		})
	}
}

// Sources: RFC 8439, section 2.8.2, and draft-irtf-cfrg-xchacha-03, appendix
// A.3.1, which share plaintext, additional data and key.
func TestAEADVectors(t *testing.T) {
	plaintext := []byte("Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, sunscreen would be it.")
	data := unhex(t, "50515253c0c1c2c3c4c5c6c7")
	key := counting(0x80, 32)

	t.Run("RFC 8439", func(t *testing.T) {
		aead, err := chacha20poly1305.New(key)
		if err != nil {
			t.Fatal(err)
		}
		got := hex.EncodeToString(aead.Seal(nil, unhex(t, "070000004041424344454647"), plaintext, data))
		const want = "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d6" +
			"3dbea45e8ca9671282fafb69da92728b1a71de0a9e060b2905d6a5b67ecd3b36" +
			"92ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585808b4831d7bc" +
			"3ff4def08e4b7a9de576d26586cec64b6116" + "1ae10b594f09e26a7e902ecbd0600691"
		if got != want {
			t.Errorf("sealed %s\nwant   %s", got, want)
		}
	})
	t.Run("XChaCha draft", func(t *testing.T) {
		aead, err := chacha20poly1305.NewX(key)
		if err != nil {
			t.Fatal(err)
		}
		got := hex.EncodeToString(aead.Seal(nil, counting(0x40, 24), plaintext, data))
		const want = "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb" +
			"731c7f1b0b4aa6440bf3a82f4eda7e39ae64c6708c54c216cb96b72e1213b452" +
			"2f8c9ba40db5d945b11b69b982c1bb9e3f3fac2bc369488f76b2383565d3fff9" +
			"21f9664c97637da9768812f615c68b13b52e" + "c0875924c1c7987947deafd8780acf49"
		if got != want {
			t.Errorf("sealed %s\nwant   %s", got, want)
		}
	})
}

// Source: the reference program of Argon2, argon2(1), version 0x13. (The
// vector of RFC 9106, section 5.3, takes a secret and associated data, which a
// slot's derivation leaves out.)
func TestPassphraseKeyIsThatOfArgon2(t *testing.T) {
	argon2 := needTool(t, "argon2")
	for _, c := range []struct {
		passphrase, salt string
		cost             Cost
	}{
		{"seedbank", "hazel-hazel-0001", Cost{MemoryKiB: 64 << 10, Passes: 3, Lanes: 4}}, // RFC 9106, section 4, second option
		{"seedbank", "hazel-hazel-0001", Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}},
		{"seedbank", "hazel-hazel-0001", Cost{MemoryKiB: 1000, Passes: 5, Lanes: 3}},
		{"a much longer passphrase, with Ümläuts and spaces ", strings.Repeat("0123456789abcdef", 4), Cost{MemoryKiB: 4096, Passes: 2, Lanes: 64}},
		{"x", "hazel-hazel-0001", Cost{MemoryKiB: 64, Passes: 64, Lanes: 8}},
	} {
		t.Run(c.cost.String(), func(t *testing.T) {
			want := runTool(t, []byte(c.passphrase), argon2, c.salt, "-id", "-r", "-l", "32", "-v", "13",
				"-t", fmt.Sprint(c.cost.Passes), "-k", fmt.Sprint(c.cost.MemoryKiB), "-p", fmt.Sprint(c.cost.Lanes))
			key, err := passphrase(t, c.passphrase).slotKey([]byte(c.salt), c.cost)
			if err != nil {
				t.Fatal(err)
			}
			if got := hex.EncodeToString(key[:]); got != want {
				t.Errorf("key %s, argon2 says %s", got, want)
			}
		})
	}
}

// Source: openssl-kdf(1).
func TestDerivedKeysAreThoseOfOpenSSL(t *testing.T) {
	openssl := needTool(t, "openssl")
	root, repo := fixedRoot(), fixedRepo()
	keys := derive(t, root, repo)
	for label, key := range map[string]*[keySize]byte{
		"kist 1 chunk identity":      &keys.derived.get().identity,
		"kist 1 chunk boundaries":    &keys.derived.get().boundary,
		"kist 1 object key wrapping": &keys.derived.get().wrapping,
		"kist 1 repository file":     &keys.derived.get().manifest,
		"kist 1 key slots":           &keys.derived.get().slots,
		"kist 1 groups":              &keys.derived.get().groups,
	} {
		out := runTool(t, nil, openssl, "kdf", "-keylen", "32", "-kdfopt", "digest:SHA2-256",
			"-kdfopt", fmt.Sprintf("hexkey:%x", root.material()[:]), "-kdfopt", fmt.Sprintf("hexsalt:%x", repo[:]),
			"-kdfopt", "info:"+label, "HKDF")
		want := strings.ToLower(strings.ReplaceAll(out, ":", ""))
		if got := hex.EncodeToString(key[:]); got != want {
			t.Errorf("%s: key %s, openssl says %s", label, got, want)
		}
	}
}

// hasherWithKey returns a Hasher whose identity key is given.
func hasherWithKey(key []byte) *Hasher {
	return (&Keys{derived: hide(&derivedKeys{identity: [keySize]byte(key)})}).NewHasher()
}

// Source: test_vectors.json of the BLAKE3 team as lukechampine.com/blake3 v1.4.1
// carries it, without the derive_key column.
// An input counts from 0 to 250 again and again.
func TestBLAKE3Vectors(t *testing.T) {
	content, err := os.ReadFile("testdata/blake3_vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		InputLen  int    `json:"input_len"`
		Hash      string `json:"hash"`
		KeyedHash string `json:"keyed_hash"`
	}
	if err := json.Unmarshal(content, &cases); err != nil || len(cases) != 22 {
		t.Fatalf("%d vectors, %v", len(cases), err)
	}
	key := []byte("whats the Elvish word for friend")
	h := hasherWithKey(key)
	for _, c := range cases {
		input := make([]byte, c.InputLen)
		for i := range input {
			input[i] = byte(i % 251)
		}
		if got := h.Sum(input).String(); got != c.KeyedHash[:32] {
			t.Errorf("length %d: identity %s, want %s", c.InputLen, got, c.KeyedHash[:32])
		}
		d := NewDigestHasher()
		d.hash.Write(input)
		if got := d.Sum().String(); got != c.Hash[:64] {
			t.Errorf("length %d: digest %s, want %s", c.InputLen, got, c.Hash[:64])
		}
	}
	keys := &Keys{derived: hide(&derivedKeys{boundary: [keySize]byte(key)})}
	want := unhex(t, cases[0].KeyedHash)
	got := make([]byte, len(want))
	if _, err := io.ReadFull(keys.BoundarySource(), got); err != nil || !bytes.Equal(got, want) {
		t.Errorf("boundary source %x, %v; want %x", got, err, want)
	}
}

// Source: lukechampine.com/blake3, a second implementation.
func TestIdentityAgainstSecondImplementation(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	h := keys.NewHasher()
	check := func(chunk []byte) {
		second := other.New(32, keys.derived.get().identity[:])
		second.Write(chunk)
		if got, want := h.Sum(chunk), Identity(second.Sum(nil)[:16]); got != want {
			t.Fatalf("length %d: identity %v, want %v", len(chunk), got, want)
		}
	}
	content := make([]byte, 3<<20+17)
	if _, err := io.ReadFull(keys.BoundarySource(), content); err != nil {
		t.Fatal(err)
	}
	for n := range 5001 {
		check(content[n : 2*n])
	}
	for _, n := range []int{8191, 8192, 8193, 16384, 65535, 1 << 20, 1<<20 + 1, len(content)} {
		check(content[:n])
	}
}

// Source: lukechampine.com/blake3, its extended output.
func TestBoundarySourceAgainstSecondImplementation(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	want := make([]byte, 100_000)
	if _, err := io.ReadFull(other.New(32, keys.derived.get().boundary[:]).XOF(), want); err != nil {
		t.Fatal(err)
	}
	for _, step := range []int{8, 7, 64, 1000} {
		got := make([]byte, len(want))
		source := keys.BoundarySource()
		for at := 0; at < len(got); at += step {
			if _, err := io.ReadFull(source, got[at:min(at+step, len(got))]); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(got, want) {
			t.Errorf("reading %d bytes at a time gives another stream", step)
		}
	}
}

// Source: b3sum(1), the program of the BLAKE3 team.
func TestIdentityIsThatOfB3sum(t *testing.T) {
	b3sum := needTool(t, "b3sum")
	keys := derive(t, fixedRoot(), fixedRepo())
	file := t.TempDir() + "/chunk"
	for _, n := range []int{0, 1, 16384, 100_000} {
		chunk := bytes.Repeat([]byte{'k'}, n)
		if err := os.WriteFile(file, chunk, 0o600); err != nil {
			t.Fatal(err)
		}
		want := runTool(t, keys.derived.get().identity[:], b3sum, "--keyed", "--length", "16", "--no-names", file)
		if got := keys.NewHasher().Sum(chunk).String(); got != want {
			t.Errorf("length %d: identity %s, b3sum says %s", n, got, want)
		}
	}
}
