package volume

import (
	"maps"
	"slices"
	"strings"
)

// Keys of pax records for what archive/tar has no field for, as GNU tar and libarchive write them.
const (
	recordXattr      = "SCHILY.xattr."
	recordACLAccess  = "SCHILY.acl.access"
	recordACLDefault = "SCHILY.acl.default"
	recordACLNFS     = "SCHILY.acl.ace"
	recordSELinux    = "RHT.security.selinux"
	recordCharset    = "hdrcharset" // POSIX pax: "BINARY" says that names are not UTF-8
)

// Extended attributes in which Linux shows POSIX ACLs.
const (
	attrACLAccess  = "system.posix_acl_access"
	attrACLDefault = "system.posix_acl_default"
	attrSystem     = "system." // anything else in it is made by the file system
)

// maxRecords bounds the attributes of one member: archive/tar reads at most 1 MiB of records, and
// names and the record's own framing need room beside the values.
const maxRecords = 960 << 10

var (
	escapeAttr   = strings.NewReplacer("%", "%25", "=", "%3D")
	unescapeAttr = strings.NewReplacer("%25", "%", "%3D", "=", "%3d", "=")
)

// records turns extended attributes into pax records, and names those that had to be left out.
func records(attrs map[string]string) (pax map[string]string, left []string) {
	if len(attrs) == 0 {
		return nil, nil
	}
	pax = make(map[string]string, len(attrs))
	total := 0
	for _, name := range slices.Sorted(maps.Keys(attrs)) {
		key, value, err := record(name, attrs[name])
		if key == "" && err == nil {
			continue
		}
		total += len(key) + len(value) + len("123456 =\n")
		if err != nil || total > maxRecords {
			left = append(left, name)
			continue
		}
		pax[key] = value
	}
	return pax, left
}

// record turns one attribute into a record; the key is empty for what the file system makes itself.
func record(name, value string) (key, text string, err error) {
	switch {
	case name == attrACLAccess:
		text, err = aclText(value)
		return recordACLAccess, text, err
	case name == attrACLDefault:
		text, err = aclText(value)
		return recordACLDefault, text, err
	case strings.HasPrefix(name, attrSystem):
		return "", "", nil
	}
	return recordXattr + escapeAttr.Replace(name), value, nil
}

// attribute is an extended attribute to restore.
type attribute struct{ name, value string }

// isACL reports whether a is an ACL, which has to wait until a folder's members are in place.
func (a attribute) isACL() bool { return a.name == attrACLAccess || a.name == attrACLDefault }

// attributes turns pax records into extended attributes, sorted by name with ACLs last. What it
// can't read is in lost. A record with the kernel's own form of an ACL counts before one with text.
func attributes(pax map[string]string, ids *owners) (attrs []attribute, lost []string) {
	if len(pax) == 0 {
		return nil, nil
	}
	found := make(map[string]string)
	for key, value := range pax {
		switch key {
		case recordACLAccess, recordACLDefault:
			name := attrACLAccess
			if key == recordACLDefault {
				name = attrACLDefault
			}
			if _, ok := pax[recordXattr+name]; ok || value == "" {
				continue
			}
			raw, err := parseACL(value, ids.user, ids.group)
			if err != nil {
				lost = append(lost, key)
				continue
			}
			found[name] = raw
		case recordACLNFS:
			lost = append(lost, key)
		case recordSELinux:
			found["security.selinux"] = value
		default:
			if name, ok := strings.CutPrefix(key, recordXattr); ok && name != "" {
				found[unescapeAttr.Replace(name)] = value
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(found)) {
		attrs = append(attrs, attribute{name, found[name]})
	}
	slices.SortStableFunc(attrs, func(a, b attribute) int { return rank(a) - rank(b) })
	slices.Sort(lost)
	return attrs, lost
}

// rank puts ACLs after all other attributes.
func rank(a attribute) int {
	if a.isACL() {
		return 1
	}
	return 0
}
