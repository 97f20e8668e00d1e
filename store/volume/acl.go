package volume

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// POSIX ACLs (POSIX.1e draft 17) in the kernel's form, as the extended attributes
// system.posix_acl_access and system.posix_acl_default hold them: a version, then entries of
// tag (2 bytes), permissions (2) and id (4), little-endian, sorted by tag and id
// (include/uapi/linux/posix_acl.h and posix_acl_xattr.h).
const (
	aclVersion   = 2
	aclHeadSize  = 4
	aclEntrySize = 8
	aclNoID      = 1<<32 - 1
)

type aclEntry struct {
	tag  uint16
	perm uint16
	id   uint32
}

const (
	aclUserObj  = 0x01
	aclUser     = 0x02
	aclGroupObj = 0x04
	aclGroup    = 0x08
	aclMask     = 0x10
	aclOther    = 0x20
)

var errACL = errors.New("malformed ACL")

// aclText gives the kernel's form as text in the long form of POSIX.1e with numeric ids.
func aclText(raw string) (string, error) {
	b := []byte(raw)
	if len(b) < aclHeadSize || (len(b)-aclHeadSize)%aclEntrySize != 0 || binary.LittleEndian.Uint32(b) != aclVersion {
		return "", errACL
	}
	var out strings.Builder
	for b = b[aclHeadSize:]; len(b) > 0; b = b[aclEntrySize:] {
		kind, qualifier := aclNames(binary.LittleEndian.Uint16(b))
		if kind == "" {
			return "", errACL
		}
		if out.Len() > 0 {
			out.WriteByte(',')
		}
		out.WriteString(kind + ":")
		if qualifier {
			out.WriteString(strconv.FormatUint(uint64(binary.LittleEndian.Uint32(b[4:])), 10))
		}
		out.WriteString(":" + permText(binary.LittleEndian.Uint16(b[2:])))
	}
	return out.String(), nil
}

// aclNames gives the word for a tag and whether entries with it name a user or group.
func aclNames(tag uint16) (kind string, qualifier bool) {
	switch tag {
	case aclUserObj, aclUser:
		return "user", tag == aclUser
	case aclGroupObj, aclGroup:
		return "group", tag == aclGroup
	case aclMask:
		return "mask", false
	case aclOther:
		return "other", false
	}
	return "", false
}

func permText(perm uint16) string {
	text := []byte("---")
	for i, c := range []byte("rwx") {
		if perm&(4>>i) != 0 {
			text[i] = c
		}
	}
	return string(text)
}

// parseACL turns text into the kernel's form. Entries end at a comma or newline and may have the
// numeric id as a fourth field, as libarchive and star write it. The text's "user:NAME" is looked
// up by user and group where it is no number and no fourth field helps.
func parseACL(text string, user, group func(name string) (int, bool)) (string, error) {
	var entries []aclEntry
	for item := range strings.FieldsFuncSeq(text, func(r rune) bool { return r == ',' || r == '\n' }) {
		item, _, _ = strings.Cut(item, "#") // a comment
		if item = strings.TrimSpace(item); item == "" {
			continue
		}
		e, err := parseACLEntry(strings.Split(item, ":"), user, group)
		if err != nil {
			return "", fmt.Errorf("%w: %q", err, item)
		}
		entries = append(entries, e)
	}
	return encodeACL(entries), nil
}

// encodeACL gives entries in the kernel's form, and sorts them as it demands.
func encodeACL(entries []aclEntry) string {
	slices.SortFunc(entries, func(a, b aclEntry) int {
		return cmp.Or(cmp.Compare(a.tag, b.tag), cmp.Compare(a.id, b.id), cmp.Compare(a.perm, b.perm))
	})
	raw := binary.LittleEndian.AppendUint32(nil, aclVersion)
	for _, e := range entries {
		raw = binary.LittleEndian.AppendUint16(raw, e.tag)
		raw = binary.LittleEndian.AppendUint16(raw, e.perm)
		raw = binary.LittleEndian.AppendUint32(raw, e.id)
	}
	return string(raw)
}

func parseACLEntry(fields []string, user, group func(string) (int, bool)) (aclEntry, error) {
	if len(fields) < 3 || len(fields) > 4 {
		return aclEntry{}, errACL
	}
	e := aclEntry{id: aclNoID}
	lookup := user
	switch kind, named := fields[0], fields[1] != ""; {
	case kind == "user" && named:
		e.tag = aclUser
	case kind == "user":
		e.tag = aclUserObj
	case kind == "group" && named:
		e.tag, lookup = aclGroup, group
	case kind == "group":
		e.tag = aclGroupObj
	case kind == "mask" && !named:
		e.tag = aclMask
	case kind == "other" && !named:
		e.tag = aclOther
	default:
		return aclEntry{}, errACL
	}
	var err error
	if e.perm, err = parsePerm(fields[2]); err != nil || fields[1] == "" {
		return e, err
	}
	e.id, err = parseID(fields[1], fields[3:], lookup)
	return e, err
}

func parsePerm(text string) (perm uint16, err error) {
	for _, c := range strings.TrimSpace(text) {
		i := strings.IndexRune("xwr", c)
		if i < 0 && c != '-' {
			return 0, errACL
		}
		if i >= 0 {
			perm |= 1 << i
		}
	}
	return perm, nil
}

// parseID gives the id of an entry for name: its number if it is one, else the entry's own fourth field,
// else what lookup knows.
func parseID(name string, fourth []string, lookup func(string) (int, bool)) (uint32, error) {
	for _, s := range append([]string{name}, fourth...) {
		if id, err := strconv.ParseUint(s, 10, 32); err == nil {
			return uint32(id), nil
		}
	}
	if id, ok := lookup(name); ok {
		return uint32(id), nil
	}
	return 0, fmt.Errorf("%w: unknown name", errACL)
}
