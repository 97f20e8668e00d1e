package format

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"runtime"
	"testing"
	"testing/iotest"

	"github.com/kistarchive/kist/crypt"
)

// sealRecords gives the records of a table object, each by itself.
func sealRecords(s *crypt.Sealer, plain ...string) (records [][]byte) {
	for i, p := range plain {
		records = append(records, AppendRecord(nil, []byte(p), uint64(i), s))
	}
	return records
}

// readRecords reads to the end and gives the error in place of io.EOF.
func readRecords(r io.Reader, s *crypt.Opener) (plain []string, err error) {
	for records := NewRecordReader(r, s); ; {
		p, err := records.Next()
		if err == io.EOF {
			return plain, nil
		}
		if err != nil {
			return plain, err
		}
		plain = append(plain, string(p))
	}
}

func TestRecordReader(t *testing.T) {
	sealer, opener := testObject(t, Table)
	r := sealRecords(sealer, "first", "second", "third", "")
	_, otherOpener := testObject(t, Table)
	misnumbered := AppendRecord(nil, nil, 2, sealer)
	tests := []struct {
		name    string
		records [][]byte
		opener  *crypt.Opener
		count   int
		want    error
	}{
		{"all", r, opener, 3, nil},
		{"in order to the end", r[:3], opener, 3, ErrDamaged},
		{"none", nil, opener, 0, ErrDamaged},
		{"swapped", [][]byte{r[1], r[0], r[2], r[3]}, opener, 0, ErrDamaged},
		{"repeated", [][]byte{r[0], r[0], r[1], r[2], r[3]}, opener, 1, ErrDamaged},
		{"left out", [][]byte{r[0], r[2], r[3]}, opener, 1, ErrDamaged},
		{"ended early", [][]byte{r[0], r[3]}, opener, 1, ErrDamaged},
		{"end of another number", [][]byte{r[0], misnumbered}, opener, 1, ErrDamaged},
		{"another object's key", r, otherOpener, 0, ErrDamaged},
	}
	for _, test := range tests {
		got, err := readRecords(bytes.NewReader(bytes.Join(test.records, nil)), test.opener)
		wantOnly(t, test.name, err, test.want)
		if len(got) != test.count {
			t.Errorf("%s: got %q", test.name, got)
		}
	}
	got, err := readRecords(iotest.OneByteReader(bytes.NewReader(bytes.Join(r, nil))), opener)
	if err != nil || fmt.Sprint(got) != "[first second third]" {
		t.Errorf("by single bytes: got %q, %v", got, err)
	}
}

func TestRecordReaderCutAndChanged(t *testing.T) {
	sealer, opener := testObject(t, Table)
	whole := bytes.Join(sealRecords(sealer, "first", "second", ""), nil)
	for n := range whole {
		_, err := readRecords(bytes.NewReader(whole[:n]), opener)
		wantOnly(t, fmt.Sprint("cut at ", n), err, ErrDamaged)
		changed := bytes.Clone(whole)
		changed[n] ^= 4
		_, err = readRecords(bytes.NewReader(changed), opener)
		wantOnly(t, fmt.Sprint("byte ", n, " changed"), err, ErrDamaged)
	}
}

// The storage's own errors are no damage.
func TestRecordReaderPassesErrorsOn(t *testing.T) {
	sealer, opener := testObject(t, Table)
	whole := bytes.Join(sealRecords(sealer, "first", ""), nil)
	fault := errors.New("the share went away")
	for n := range whole {
		_, err := readRecords(io.MultiReader(bytes.NewReader(whole[:n]), iotest.ErrReader(fault)), opener)
		if !errors.Is(err, fault) || errors.Is(err, ErrDamaged) {
			t.Errorf("after %d bytes: got %v", n, err)
		}
	}
}

// Bytes behind the last record were not put there by its writer.
func TestRecordReaderBytesBehind(t *testing.T) {
	sealer, opener := testObject(t, Table)
	whole := bytes.Join(sealRecords(sealer, "first", ""), nil)
	_, err := readRecords(bytes.NewReader(append(whole, 0)), opener)
	wantOnly(t, "a byte more", err, ErrDamaged)
}

func TestRecordLengthsThatAreAbsurd(t *testing.T) {
	_, opener := testObject(t, Table)
	for _, n := range []uint32{0, crypt.Overhead - 1, MaxRecord + 1, 1<<32 - 1} {
		head := binary.LittleEndian.AppendUint32(nil, n)
		in := &counting{r: io.MultiReader(bytes.NewReader(head), zeros{})}
		_, err := readRecords(in, opener)
		wantOnly(t, fmt.Sprint("a record of ", n, " bytes"), err, ErrDamaged)
		if in.n != 4 {
			t.Errorf("%d bytes of a record of %d are read", in.n, n)
		}
	}
	// A length that is allowed takes memory for what arrives only.
	head := binary.LittleEndian.AppendUint32(nil, MaxRecord)
	got := allocated(func() {
		_, err := readRecords(bytes.NewReader(append(head, make([]byte, 100)...)), opener)
		wantOnly(t, "a record of 100 bytes in place of 64 MiB", err, ErrDamaged)
	})
	if got > 1<<20 {
		t.Errorf("%d bytes were taken for 100", got)
	}
}

// zeros is an endless stream.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// allocated gives how many bytes f allocates. Nothing else may run meanwhile.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}
