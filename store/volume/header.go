package volume

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"unicode/utf8"
)

// headerOf makes a member's header. Only a regular file has a size. left names attributes that
// did not fit.
func headerOf(m *meta, s *State, flag byte, member, target string, attrs map[string]string) (head []byte, left []string, err error) {
	h := &tar.Header{
		Typeflag: flag, Name: member, Linkname: target, Mode: m.perm, ModTime: m.mtime,
		Uid: m.uid, Gid: m.gid, Uname: s.User, Gname: s.Group, Format: tar.FormatPAX,
	}
	switch flag {
	case tar.TypeReg:
		h.Size = m.size
	case tar.TypeChar, tar.TypeBlock:
		h.Devmajor, h.Devminor = m.major, m.minor
	}
	h.PAXRecords, left = records(attrs)
	if !utf8.ValidString(member) || !utf8.ValidString(target) {
		if h.PAXRecords == nil {
			h.PAXRecords = make(map[string]string)
		}
		h.PAXRecords[recordCharset] = "BINARY"
	}
	var out bytes.Buffer
	err = tar.NewWriter(&out).WriteHeader(h)
	if errors.Is(err, tar.ErrFieldTooLong) {
		if len(attrs) > 0 {
			head, _, err = headerOf(m, s, flag, member, target, nil)
			return head, slices.Sorted(maps.Keys(attrs)), err
		}
		return nil, nil, errLong
	}
	return out.Bytes(), left, writeError(member, err)
}

// errLong is returned for a member whose names fit no tar header.
var errLong = errors.New("its path and its link's are too long for a tar header")

func writeError(member string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("writing the stream at member %q: %w", member, err)
}
