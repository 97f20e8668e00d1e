package files

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// streamed is a file that is written out while it is filled. Else a share's line and a disk are idle until the file is flushed,
// and whoever fills it is, while that goes on.
type streamed struct {
	*os.File
	out            func(until int64) error // writeOut, of this file
	written, begun int64                   // bytes: given to the system, and of those when begin was called last
	begins         chan error              // has what out gave, once that ended; nil: it does not run
	refused        bool                    // the system can't
}

// Of a file, streamLength is sent on its way at the least, and streamAhead is written at the most while what is before it is sent,
// in bytes. CIFS sends up to 4 MiB as one request, and whoever asks for that waits until nearly all of it is on the line: what
// is written meanwhile is there as soon as the line has room again.
const (
	streamLength = 1 << 20
	streamAhead  = 8 << 20
)

func newStreamed(file *os.File) *streamed {
	fd := int(file.Fd())
	return &streamed{File: file, out: func(until int64) error { return writeOut(fd, until) }}
}

// writeOut has the first bytes of a file written out (sync_file_range(2)), from the start on, since NFS leaves some for later. That
// waits for no answer, and proves nothing: Sync does. But an error that it meets may be told only once.
func writeOut(fd int, until int64) error {
	return again(func() error { return unix.SyncFileRange(fd, 0, until, unix.SYNC_FILE_RANGE_WRITE) })
}

// Write implements [WriteFile].
func (s *streamed) Write(p []byte) (int, error) {
	n, err := s.File.Write(p)
	s.written += int64(n)
	if err == nil && s.written-s.begun >= streamLength {
		err = s.begin()
	}
	return n, err
}

// begin has what was written written out, beside whoever fills the file. While that is done with what was written before, it
// does nothing, or waits where much has come to lie since.
func (s *streamed) begin() error {
	if s.begins != nil && len(s.begins) == 0 && s.written-s.begun < streamAhead {
		return nil
	}
	if err := s.await(); err != nil || s.refused {
		return err
	}
	ended := make(chan error, 1)
	s.begun, s.begins = s.written, ended
	go func(until int64) { ended <- s.out(until) }(s.written)
	return nil
}

// await waits until nothing is being written out, and tells what that met.
func (s *streamed) await() error {
	if s.begins == nil {
		return nil
	}
	err := <-s.begins
	s.begins = nil
	switch err {
	case nil:
		return nil
	case unix.EIO, unix.ENOSPC, unix.EDQUOT, unix.ESTALE, unix.EHOSTDOWN, unix.ETIMEDOUT:
		return &fs.PathError{Op: "sync_file_range", Path: s.Name(), Err: err}
	}
	s.refused = true // a file system or filter of system calls without it
	return nil
}

// Sync implements [WriteFile].
func (s *streamed) Sync() error {
	if err := s.await(); err != nil {
		return err
	}
	return s.File.Sync()
}

// Close implements [WriteFile].
func (s *streamed) Close() error {
	err := s.await()
	return errors.Join(err, s.File.Close())
}
