package volume

import (
	"encoding/hex"
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// nobody knows no names.
func nobody(string) (int, bool) { return 0, false }

// TestACL has ACLs as Linux shows them and as GNU tar and libarchive write them: seen from setfacl 2.3,
// GNU tar 1.34 and bsdtar 3.6.2 on one file.
func TestACL(t *testing.T) {
	const raw = "0200000001000600ffffffff020004000100000002000700e903000004000400ffffffff10000700ffffffff20000400ffffffff"
	known := func(name string) (int, bool) { return 1, name == "daemon" }
	for name, text := range map[string]string{
		"ours":       "user::rw-,user:1:r--,user:1001:rwx,group::r--,mask::rwx,other::r--",
		"GNU tar":    "user::rw-\nuser:daemon:r--\nuser:1001:rwx\ngroup::r--\nmask::rwx\nother::r--\n",
		"libarchive": "user::rw-,group::r--,other::r--,user:stranger:r--:1,user:1001:rwx,mask::rwx",
		"comments":   "user::rw-,user:1:r--\t#effective:r--,user:1001:rwx,\n\ngroup::r--,mask::rwx,other::r--",
	} {
		got, err := parseACL(text, known, nobody)
		if err != nil || hex.EncodeToString([]byte(got)) != raw {
			t.Errorf("%s: %x, %v", name, got, err)
		}
		if name == "ours" {
			if back, err := aclText(got); back != text || err != nil {
				t.Errorf("as text: %q, %v", back, err)
			}
		}
	}
}

func TestACLRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entry := rapid.Custom(func(t *rapid.T) aclEntry {
			e := aclEntry{
				tag:  rapid.SampledFrom([]uint16{aclUserObj, aclUser, aclGroupObj, aclGroup, aclMask, aclOther}).Draw(t, "tag"),
				perm: rapid.Uint16Range(0, 7).Draw(t, "perm"), id: aclNoID,
			}
			if e.tag == aclUser || e.tag == aclGroup {
				e.id = rapid.Uint32().Draw(t, "id")
			}
			return e
		})
		raw := encodeACL(rapid.SliceOf(entry).Draw(t, "entries"))
		text, err := aclText(raw)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := parseACL(text, nobody, nobody); back != raw || err != nil {
			t.Fatalf("%x became %q and %x, %v", raw, text, back, err)
		}
	})
}

func TestBadACL(t *testing.T) {
	for _, text := range []string{
		"user", "user:", "user:x", "user:nobody-known:rwx", "user:1:rwz", "mask:1:rwx", "other:x:r", "owner::r",
		"user:1:r:1:1", "user:4294967296:r", "user:-1:r", "::", "default:user::r",
	} {
		if raw, err := parseACL(text, nobody, nobody); err == nil {
			t.Errorf("%q is taken as %x", text, raw)
		}
	}
	for _, raw := range []string{"", "\x02\x00\x00", "\x01\x00\x00\x00", "\x02\x00\x00\x00x", "\x02\x00\x00\x00\x03\x00\x00\x00\x00\x00\x00\x00"} {
		if text, err := aclText(raw); err == nil {
			t.Errorf("%x is taken as %q", raw, text)
		}
	}
}

func FuzzParseACL(f *testing.F) {
	f.Add("user::rw-,user:1:r--,group::r--,mask::rwx,other::r--")
	f.Add("user::rw-\nuser:daemon:r--:1\n#x")
	f.Fuzz(func(t *testing.T, text string) {
		raw, err := parseACL(text, nobody, nobody)
		if err != nil {
			return
		}
		again, err := aclText(raw)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := parseACL(again, nobody, nobody); back != raw || err != nil {
			t.Fatalf("%q: %x, then %x, %v", text, raw, back, err)
		}
	})
}

func TestRecords(t *testing.T) {
	const raw = "\x02\x00\x00\x00"
	pax, left := records(map[string]string{
		"user.a%b=c": "v", "system.nfs4_acl": "v", attrACLAccess: raw, attrACLDefault: "broken", "user.huge": string(make([]byte, maxRecords)),
	})
	want := map[string]string{"SCHILY.xattr.user.a%25b%3Dc": "v", recordACLAccess: ""}
	if !maps.Equal(pax, want) || !slices.Equal(left, []string{attrACLDefault, "user.huge"}) {
		t.Errorf("records %q, left %q", pax, left)
	}
	attrs, lost := attributes(map[string]string{
		"SCHILY.xattr.user.a%25b%3Dc": "v", "SCHILY.xattr.user.z": "", "path": "x", recordACLNFS: "x", recordSELinux: "label",
		recordACLAccess: "user::rwx", "SCHILY.xattr." + attrACLAccess: raw, recordACLDefault: "nonsense",
	}, newOwners())
	wantAttrs := []attribute{{"security.selinux", "label"}, {"user.a%b=c", "v"}, {"user.z", ""}, {attrACLAccess, raw}}
	if !slices.Equal(attrs, wantAttrs) || !slices.Equal(lost, []string{recordACLNFS, recordACLDefault}) {
		t.Errorf("attributes %q, lost %q", attrs, lost)
	}
}
