// Command service stands for a catalogue server in tests. It writes some thousand
// records a second to a folder, in the ways in which databases do, and can tell
// whether the folder is of one moment.
//
//	service run DIR     checks DIR, and goes on writing where it ended, until SIGTERM
//	service check DIR   checks a DIR that was shut down cleanly
//
// Each record, by its number, is appended to a segment of a log, and written in
// place to a page of a table. The oldest segments are removed. Now and then all is flushed, and an index, which
// says how far all is certain, is written anew and renamed over the last one.
package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"
)

const (
	recordSize     = 512 // number, contents, CRC-32C
	segmentRecords = 2000
	segmentsKept   = 10
	pages          = 256
	flushEvery     = 50 // records

	// So many records at once, so often, leave the processor to the tests, most often between two flushes.
	burst = 10
	pace  = time.Millisecond
)

var errTorn = errors.New("not of one moment")

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "service:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 2 {
		return errors.New("usage: service run|check DIR")
	}
	s := &service{dir: args[1]}
	switch args[0] {
	case "check":
		if err := s.check(); err != nil {
			return err
		}
		if !s.index.Clean {
			return fmt.Errorf("%w: the index is of a service that runs", errTorn)
		}
		fmt.Println(s.index.Last)
		return nil
	case "run":
		if _, err := os.Stat(s.path("index")); err == nil {
			if err := s.check(); err != nil {
				return err
			}
		}
		return s.serve()
	}
	return fmt.Errorf("no command %q", args[0])
}

type service struct {
	dir     string
	index   index
	segment *os.File
	table   *os.File
}

// index says how far everything is certain.
type index struct {
	Last  uint64 `json:"last"`  // number of the last record
	Clean bool   `json:"clean"` // nothing was written after it
}

func (s *service) path(name string) string { return filepath.Join(s.dir, name) }

func (s *service) segmentPath(number uint64) string {
	return s.path(fmt.Sprintf("log-%06d", (number-1)/segmentRecords))
}

// record gives the record of a number.
func record(number uint64) []byte {
	b := make([]byte, recordSize)
	binary.LittleEndian.PutUint64(b, number)
	for i, x := 8, number*0x9e3779b97f4a7c15; i+8 <= recordSize-4; i += 8 {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		binary.LittleEndian.PutUint64(b[i:], x)
	}
	sum := crc32.Checksum(b[:recordSize-4], crc32.MakeTable(crc32.Castagnoli))
	binary.LittleEndian.PutUint32(b[recordSize-4:], sum)
	return b
}

// serve writes until it is told to stop.
func (s *service) serve() (err error) {
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, syscall.SIGTERM, os.Interrupt)
	if s.table, err = os.OpenFile(s.path("table"), os.O_RDWR|os.O_CREATE, 0o600); err != nil {
		return err
	}
	s.index.Clean = false
	if err := s.writeIndex(); err != nil {
		return err
	}
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for {
		select {
		case <-stop:
			s.index.Clean = true
			return s.flush()
		case <-tick.C:
			for range burst {
				if err := s.write(s.index.Last + 1); err != nil {
					return err
				}
			}
		}
	}
}

func (s *service) write(number uint64) (err error) {
	if (number-1)%segmentRecords == 0 || s.segment == nil {
		if s.segment != nil {
			if err := errors.Join(s.segment.Sync(), s.segment.Close()); err != nil {
				return err
			}
		}
		if number > segmentsKept*segmentRecords {
			os.Remove(s.segmentPath(number - segmentsKept*segmentRecords))
		}
		if s.segment, err = os.OpenFile(s.segmentPath(number), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600); err != nil {
			return err
		}
	}
	b := record(number)
	if _, err := s.segment.Write(b); err != nil {
		return err
	}
	if _, err := s.table.WriteAt(b, int64(number%pages)*recordSize); err != nil {
		return err
	}
	s.index.Last = number
	if number%flushEvery == 0 {
		return s.flush()
	}
	return nil
}

func (s *service) flush() error {
	if s.segment != nil {
		if err := s.segment.Sync(); err != nil {
			return err
		}
	}
	if err := s.table.Sync(); err != nil {
		return err
	}
	return s.writeIndex()
}

func (s *service) writeIndex() error {
	b, err := json.Marshal(s.index)
	if err != nil {
		return err
	}
	f, err := os.Create(s.path("index.new"))
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(s.path("index.new"), s.path("index"))
}

// check reads all there is. After a clean end nothing may be missing, torn or
// too much.
func (s *service) check() error {
	b, err := os.ReadFile(s.path("index"))
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, &s.index); err != nil {
		return fmt.Errorf("%w: index: %w", errTorn, err)
	}
	if err := s.checkLog(); err != nil {
		return err
	}
	return s.checkTable()
}

func (s *service) checkLog() error {
	last := s.index.Last
	first := uint64(1)
	if last > (segmentsKept-1)*segmentRecords { // the oldest may be gone
		first = (last-1)/segmentRecords*segmentRecords + 1 - (segmentsKept-2)*segmentRecords
	}
	for ; first <= last; first += segmentRecords {
		path := s.segmentPath(first)
		got, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("%w: %w", errTorn, err)
		}
		count := min(segmentRecords, last-first+1)
		for i := range count {
			if !bytes.HasPrefix(got, record(first+i)) {
				return fmt.Errorf("%w: record %d of %d in %s", errTorn, first+i, last, path)
			}
			got = got[recordSize:]
		}
		if len(got) > 0 && s.index.Clean {
			return fmt.Errorf("%w: %s goes on after record %d", errTorn, path, last)
		}
		if len(got) > 0 {
			if err := os.Truncate(path, int64(count)*recordSize); err != nil {
				return err
			}
		}
	}
	_, err := os.Stat(s.segmentPath(last + segmentRecords))
	if err == nil && s.index.Clean {
		return fmt.Errorf("%w: a segment after record %d", errTorn, last)
	}
	return nil
}

// checkTable checks that each page has the last record that belongs to it. After
// a crash it may have a later one.
func (s *service) checkTable() error {
	f, err := os.Open(s.path("table"))
	if err != nil {
		return err
	}
	defer f.Close()
	got := make([]byte, recordSize)
	for number := s.index.Last; number > 0 && number+pages > s.index.Last; number-- {
		if _, err := f.ReadAt(got, int64(number%pages)*recordSize); err != nil && err != io.EOF {
			return err
		}
		later := binary.LittleEndian.Uint64(got)
		if bytes.Equal(got, record(number)) || !s.index.Clean && later > number && bytes.Equal(got, record(later)) {
			continue
		}
		return fmt.Errorf("%w: page %d of the table has record %d, not %d of %d", errTorn, number%pages, later, number, s.index.Last)
	}
	return nil
}
