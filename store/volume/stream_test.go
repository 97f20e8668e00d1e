package volume_test

import (
	"archive/tar"
	"bytes"
	"os"
	"testing"
	"time"
)

// stream makes a pax stream of members that belong to the caller, unless they say otherwise.
func stream(t testing.TB, members ...member) []byte {
	t.Helper()
	var out bytes.Buffer
	w := tar.NewWriter(&out)
	for _, m := range members {
		h := m.Header
		if h.Typeflag == tar.TypeXGlobalHeader { // takes nothing but records
			must(t, w.WriteHeader(&h))
			continue
		}
		h.Format = tar.FormatPAX
		h.Size = int64(len(m.content))
		if h.ModTime.IsZero() {
			h.ModTime = time.Unix(1_700_000_000, 0)
		}
		if h.Uid == 0 && h.Gid == 0 {
			h.Uid, h.Gid = max(os.Geteuid(), 0), max(os.Getegid(), 0)
		}
		must(t, w.WriteHeader(&h))
		_, err := w.Write([]byte(m.content))
		must(t, err)
	}
	must(t, w.Close())
	return out.Bytes()
}

type member struct {
	tar.Header
	content string
}

func file(name, content string) member {
	return member{tar.Header{Typeflag: tar.TypeReg, Name: name, Mode: 0o600}, content}
}

func dir(name string) member {
	return member{tar.Header{Typeflag: tar.TypeDir, Name: name + "/", Mode: 0o700}, ""}
}

func symlink(name, target string) member {
	return member{tar.Header{Typeflag: tar.TypeSymlink, Name: name, Linkname: target}, ""}
}

func hardlink(name, target string) member {
	return member{tar.Header{Typeflag: tar.TypeLink, Name: name, Linkname: target}, ""}
}

// unknown is of a kind that this package doesn't restore.
func unknown(name string) member {
	return member{tar.Header{Typeflag: 'V', Name: name}, "content"}
}

func (m member) mode(mode int64) member {
	m.Mode = mode
	return m
}

func (m member) owner(uid, gid int) member {
	m.Uid, m.Gid = uid, gid
	return m
}

func (m member) records(pairs ...string) member {
	m.PAXRecords = make(map[string]string)
	for i := 0; i < len(pairs); i += 2 {
		m.PAXRecords[pairs[i]] = pairs[i+1]
	}
	return m
}
