package tarstream

import (
	"encoding/base64"
	"fmt"
	"io/fs"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Type is the type of a member.
type Type string

// The types. Other stands for what has no meaning in a file system, such as a
// volume label.
const (
	File        Type = "file"
	Folder      Type = "folder"
	Symlink     Type = "symlink"
	Hardlink    Type = "hardlink"
	CharDevice  Type = "chardev"
	BlockDevice Type = "blockdev"
	FIFO        Type = "fifo"
	Other       Type = "other"
)

// A Member is what the headers of a member say. Strings are the bytes that the
// stream holds, in whatever encoding.
type Member struct {
	Path   string `json:"path"`
	Type   Type   `json:"type"`
	Size   int64  `json:"size"`   // of the file in bytes, holes included
	Stored int64  `json:"stored"` // bytes of content in the stream

	Mode     fs.FileMode `json:"mode"` // permissions and type
	UID      int         `json:"uid"`
	GID      int         `json:"gid"`
	User     string      `json:"user,omitempty"`
	Group    string      `json:"group,omitempty"`
	Modified time.Time   `json:"modified"` // to the nanosecond, where the stream says so

	Link     string `json:"link,omitempty"` // the target of a symlink or hardlink
	DevMajor int64  `json:"devmajor,omitempty"`
	DevMinor int64  `json:"devminor,omitempty"`
	Sparse   bool   `json:"sparse,omitempty"` // see Expand

	// Attributes are the extended attributes by their full names, such as
	// "user.comment" or "security.selinux".
	Attributes map[string][]byte `json:"attributes,omitempty"`
}

// A Decoder decodes the headers of members. It carries pax global headers from
// one to the next, so each stream needs one of its own and all its parts of
// kind [Entry], in order. The zero value is ready. It is not safe for concurrent
// use.
type Decoder struct {
	global     map[string]string
	globalSize int
}

// Global tells whether there was a pax global header, so that what Member gives goes by
// more than the header that it is given.
func (d *Decoder) Global() bool { return d.global != nil }

// Member decodes Part.Header of an [Entry] with Part.Size bytes of content. The
// error is a *HeaderError, with a position in the header, for what [Reader] would
// not return. Within a valid header nothing is refused: a number
// that cannot be read counts as zero, a pax record that cannot be read ends
// its header. Memory is bounded by [MaxHeader] a few times over.
func (d *Decoder) Member(header []byte, stored int64) (*Member, error) {
	if stored < 0 {
		return nil, &HeaderError{Reason: "a content of negative length"}
	}
	var name, link string
	local := map[string]string{}
	h, err := walk(header, func(typeflag byte, payload []byte) error {
		switch typeflag {
		case typeGNUName:
			name = text(payload)
		case typeGNULink:
			link = text(payload)
		case typePaxGlobal:
			return d.addGlobal(payload)
		default:
			clear(local) // one extended header replaces another
			for key, value := range records(payload) {
				local[key] = string(value)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	m := fromBlock(h)
	m.Stored, m.Size = stored, stored
	if h.typeflag() == typeGNUSparse && h.format() == formatGNU {
		m.Sparse = true
		m.Size = number(h.realSize())
	}
	if name != "" {
		m.Path = name
	}
	if link != "" {
		m.Link = link
	}
	d.apply(m, local)
	m.finish(h.typeflag())
	return m, nil
}

// walk calls extension for every extension header and returns the member's own
// header block. It keeps to what Reader collects.
func walk(header []byte, extension func(typeflag byte, payload []byte) error) (block, error) {
	at := len(header) % blockSize // padding of the content before
	for len(header)-at >= blockSize {
		b := block(header[at : at+blockSize])
		if !b.valid() {
			break
		}
		at += blockSize
		if !isExtension(b.typeflag()) {
			return b, nil
		}
		n, err := sizeField(b, int64(at-blockSize))
		if err != nil {
			return nil, err
		}
		if roundUp(n) > int64(len(header)-at) {
			break
		}
		if err := extension(b.typeflag(), header[at:at+int(n)]); err != nil {
			return nil, err
		}
		at += int(roundUp(n))
	}
	return nil, &HeaderError{Offset: int64(at), Reason: "no header of a member"}
}

// addGlobal takes up the records of a global header. Sizes and maps of sparse
// files are the members' own.
func (d *Decoder) addGlobal(payload []byte) error {
	if d.global == nil {
		d.global = map[string]string{}
	}
	for key, value := range records(payload) {
		if key == "size" || strings.HasPrefix(key, "GNU.sparse.") {
			continue
		}
		if old, ok := d.global[key]; ok {
			d.globalSize -= len(key) + len(old)
		}
		d.global[key] = string(value)
		d.globalSize += len(key) + len(value)
		if d.globalSize > MaxHeader {
			return &HeaderError{long: true, Reason: fmt.Sprintf("more than %d bytes of global headers", MaxHeader)}
		}
	}
	return nil
}

// apply sets what pax records say; an empty local one takes back the global.
func (d *Decoder) apply(m *Member, local map[string]string) {
	for key, value := range d.global {
		if _, ok := local[key]; !ok && value != "" {
			m.set(key, value)
		}
	}
	for key, value := range local {
		if value != "" || isAttribute(key) {
			m.set(key, value)
		}
	}
	if local["GNU.sparse.name"] != "" { // the path is a made-up one
		m.Path = text([]byte(local["GNU.sparse.name"]))
	}
	if _, ok := local["GNU.sparse.major"]; ok || local["GNU.sparse.map"] != "" || local["GNU.sparse.numblocks"] != "" {
		m.Sparse = true
	}
	if m.Sparse {
		for _, key := range []string{"GNU.sparse.size", "GNU.sparse.realsize"} {
			if n, err := strconv.ParseInt(local[key], 10, 64); err == nil && n >= 0 {
				m.Size = n
			}
		}
	}
}

// The prefixes under which extended attributes are stored: by star and GNU
// tar, and by libarchive, which encodes name and value. GNU tar has one more
// place for the SELinux context.
const (
	schilyAttribute     = "SCHILY.xattr."
	libarchiveAttribute = "LIBARCHIVE.xattr."
	selinuxContext      = "RHT.security.selinux"
)

func isAttribute(key string) bool {
	return strings.HasPrefix(key, schilyAttribute) || strings.HasPrefix(key, libarchiveAttribute)
}

func (m *Member) set(key, value string) {
	switch key {
	case "path":
		m.Path = text([]byte(value))
	case "linkpath":
		m.Link = text([]byte(value))
	case "uid":
		m.UID = int(decimal(value))
	case "gid":
		m.GID = int(decimal(value))
	case "uname":
		m.User = value
	case "gname":
		m.Group = value
	case "mtime":
		if t, ok := parseTime(value); ok {
			m.Modified = t
		}
	case "SCHILY.devmajor":
		m.DevMajor = decimal(value)
	case "SCHILY.devminor":
		m.DevMinor = decimal(value)
	case selinuxContext:
		m.setAttribute("security.selinux", []byte(value))
	default:
		m.setOther(key, value)
	}
}

func (m *Member) setOther(key, value string) {
	if name, ok := strings.CutPrefix(key, schilyAttribute); ok {
		m.setAttribute(name, []byte(value))
		return
	}
	name, ok := strings.CutPrefix(key, libarchiveAttribute)
	if !ok {
		return
	}
	decoded, err := url.PathUnescape(name)
	if err != nil {
		decoded = name
	}
	data, err := base64.RawStdEncoding.DecodeString(strings.TrimRight(value, "="))
	if _, plain := m.Attributes[decoded]; err == nil && !plain {
		m.setAttribute(decoded, data)
	}
}

func (m *Member) setAttribute(name string, value []byte) {
	if m.Attributes == nil {
		m.Attributes = map[string][]byte{}
	}
	m.Attributes[name] = value
}

func fromBlock(h block) *Member {
	m := &Member{
		Path:     text(h.name()),
		Link:     text(h.linkname()),
		UID:      int(number(h.uid())),
		GID:      int(number(h.gid())),
		Modified: time.Unix(number(h.mtime()), 0),
		Mode:     permissions(number(h.mode())),
	}
	if h.format() == formatV7 {
		return m
	}
	m.User, m.Group = text(h.uname()), text(h.gname())
	m.DevMajor, m.DevMinor = number(h.devmajor()), number(h.devminor())
	prefix := ""
	switch h.format() {
	case formatUstar:
		prefix = text(h.prefix())
	case formatStar:
		prefix = text(h.prefix()[:131])
	}
	if prefix != "" {
		m.Path = prefix + "/" + m.Path
	}
	return m
}

// finish sets what depends on the type.
func (m *Member) finish(typeflag byte) {
	m.Type = typeOf(typeflag, m.Path)
	if m.Type != Symlink && m.Type != Hardlink {
		m.Link = ""
	}
	if m.Type != CharDevice && m.Type != BlockDevice {
		m.DevMajor, m.DevMinor = 0, 0
	}
	m.Mode |= m.Type.mode()
}

// typeOf: other types of POSIX's and of vendors are files with a content to
// readers that do not know them.
func typeOf(typeflag byte, path string) Type {
	switch typeflag {
	case typeRegularOld, typeRegular:
		if strings.HasSuffix(path, "/") { // how v7 says that
			return Folder
		}
		return File
	case typeContiguous, typeGNUSparse:
		return File
	case typeHardlink:
		return Hardlink
	case typeSymlink:
		return Symlink
	case typeChar:
		return CharDevice
	case typeBlock:
		return BlockDevice
	case typeFolder, typeGNUFolder:
		return Folder
	case typeFIFO:
		return FIFO
	}
	return Other
}

func (t Type) mode() fs.FileMode {
	switch t {
	case Folder:
		return fs.ModeDir
	case Symlink:
		return fs.ModeSymlink
	case CharDevice:
		return fs.ModeDevice | fs.ModeCharDevice
	case BlockDevice:
		return fs.ModeDevice
	case FIFO:
		return fs.ModeNamedPipe
	case Other:
		return fs.ModeIrregular
	}
	return 0
}

func permissions(mode int64) fs.FileMode {
	m := fs.FileMode(mode & 0o777)
	if mode&0o4000 != 0 {
		m |= fs.ModeSetuid
	}
	if mode&0o2000 != 0 {
		m |= fs.ModeSetgid
	}
	if mode&0o1000 != 0 {
		m |= fs.ModeSticky
	}
	return m
}

func number(field []byte) int64 {
	n, _ := parseNumber(field)
	return n
}

func decimal(s string) int64 {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return 0
	}
	return n
}

// parseTime reads seconds since 1970 with any number of decimals, which may be
// negative.
func parseTime(s string) (time.Time, bool) {
	whole, fraction, _ := strings.Cut(s, ".")
	seconds, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return time.Time{}, false
	}
	nanos := int64(0)
	if fraction != "" {
		if nanos, err = strconv.ParseInt((fraction + "000000000")[:9], 10, 64); err != nil || nanos < 0 {
			return time.Time{}, false
		}
	}
	if strings.HasPrefix(whole, "-") {
		nanos = -nanos
	}
	return time.Unix(seconds, nanos), true
}
