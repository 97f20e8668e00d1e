package demo

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"
)

// The sample service's sizes.
const (
	accessions     = 400
	cataloguePages = 5 << 10 // of the catalogue
	pageSize       = 4 << 10 // bytes
	logPages       = 600     // of the write-ahead log
)

// service is the sample service's data volume. The same steps make the same
// contents, on every machine.
type service struct {
	dir     string
	random  *rand.Rand
	step    int
	pages   int // of the catalogue
	records int // that were ever written
}

// newService makes the volume as it was before the first capture.
func newService(dir string) (*service, error) {
	s := &service{dir: dir, random: rand.New(rand.NewPCG(2026, 314))}
	for _, sub := range []string{"accessions", "certificates", "config", "data", "log"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o750); err != nil {
			return nil, err
		}
	}
	for _, step := range []func() error{
		s.writeCertificates, s.writeConfig, s.writeAccessions, s.writeCatalogue, s.writeWAL, s.writeLog, s.setFolderTimes,
	} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// upgrade is what a new version and some weeks of use do to the volume.
func (s *service) upgrade(step int) error {
	s.step = step
	for _, change := range []func() error{
		s.writeConfig, s.changeAccessions, s.changeCatalogue, s.writeWAL, s.writeLog, s.setFolderTimes,
	} {
		if err := change(); err != nil {
			return err
		}
	}
	return nil
}

// now is the time of the sample's last change.
func (s *service) now() time.Time {
	return time.Date(2026, time.January, 14, 1, 58, 0, 123456789, time.UTC).AddDate(0, s.step, 0)
}

func (s *service) write(name string, content []byte, mode fs.FileMode) error {
	path := filepath.Join(s.dir, name)
	if err := os.WriteFile(path, content, mode); err != nil {
		return err
	}
	return os.Chtimes(path, s.now(), s.now())
}

// setFolderTimes gives folders a time that does not depend on when the demo ran.
func (s *service) setFolderTimes() error {
	return filepath.WalkDir(s.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		return os.Chtimes(path, s.now(), s.now())
	})
}

func (s *service) writeCertificates() error {
	for _, name := range []string{"hazel", "catalogue", "lending"} {
		der := make([]byte, 1200)
		for i := range der {
			der[i] = byte(s.random.Uint32())
		}
		text := "-----BEGIN CERTIFICATE-----\n" + base64.StdEncoding.EncodeToString(der) + "\n-----END CERTIFICATE-----\n"
		if err := s.write("certificates/"+name+".pem", []byte(text), 0o600); err != nil {
			return err
		}
	}
	markFile(filepath.Join(s.dir, "certificates", "hazel.pem"))
	// Where the system has no such links, the sample has none.
	_ = os.Symlink("hazel.pem", filepath.Join(s.dir, "certificates", "current.pem"))
	_ = os.Link(filepath.Join(s.dir, "certificates", "lending.pem"), filepath.Join(s.dir, "certificates", "members.pem"))
	return nil
}

func (s *service) writeConfig() error {
	text := fmt.Sprintf("# seedbank %s\nlisten = \"hazel:8420\"\ncatalogue = \"data/catalogue.dat\"\nlending_days = %d\ncertificate = \"certificates/current.pem\"\n",
		releases()[s.step].version, 21+7*s.step)
	return s.write("config/seedbank.toml", []byte(text), 0o640)
}

// writeAccessions writes one small record for each of the library's seed lots.
func (s *service) writeAccessions() error {
	for n := range accessions {
		if err := s.writeAccession(n); err != nil {
			return err
		}
	}
	return nil
}

// changeAccessions writes a tenth of the records again, and some new ones.
func (s *service) changeAccessions() error {
	for range accessions / 10 {
		if err := s.writeAccession(s.random.IntN(accessions)); err != nil {
			return err
		}
	}
	for n := range 15 {
		if err := s.writeAccession(accessions + 15*s.step + n); err != nil {
			return err
		}
	}
	return nil
}

func (s *service) writeAccession(n int) error {
	var b bytes.Buffer
	for range 3 + s.random.IntN(12) {
		b.Write(s.record())
	}
	return s.write(fmt.Sprintf("accessions/%04d.txt", n), b.Bytes(), 0o640)
}

// record gives a line of the catalogue.
func (s *service) record() []byte {
	s.records++
	pick := func(words ...string) string { return words[s.random.IntN(len(words))] }
	return fmt.Appendf(nil, "lot=%07d species=%q drawer=%c-%02d year=%d viability=%d%% grams=%d lender=%08x state=%s\n",
		s.records,
		pick("Phaseolus vulgaris", "Pisum sativum", "Solanum lycopersicum", "Beta vulgaris", "Lactuca sativa", "Allium cepa", "Cucurbita maxima", "Zea mays"),
		'A'+rune(s.random.IntN(12)), s.random.IntN(60), 1998+s.random.IntN(28), 40+s.random.IntN(60), 5+s.random.IntN(400), s.random.Uint32(),
		pick("stored", "lent out", "sown", "returned", "to be tested"))
}

// page gives a page of the catalogue: a number, a checksum's place, records,
// zeros to its end.
func (s *service) page(number int) []byte {
	p := make([]byte, 16, pageSize)
	binary.BigEndian.PutUint64(p, uint64(number))
	binary.BigEndian.PutUint64(p[8:], s.random.Uint64())
	for {
		r := s.record()
		if len(p)+len(r) > pageSize {
			return append(p, make([]byte, pageSize-len(p))...)
		}
		p = append(p, r...)
	}
}

func (s *service) writeCatalogue() error {
	var b bytes.Buffer
	for n := range cataloguePages {
		b.Write(s.page(n))
	}
	s.pages = cataloguePages
	return s.write("data/catalogue.dat", b.Bytes(), 0o600)
}

// changeCatalogue writes runs of pages again in place, and appends some.
func (s *service) changeCatalogue() error {
	path := filepath.Join(s.dir, "data", "catalogue.dat")
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	for range 12 {
		first := s.random.IntN(s.pages - 16)
		for n := first; n < first+1+s.random.IntN(15); n++ {
			copy(b[n*pageSize:], s.page(n))
		}
	}
	for range 200 {
		b = append(b, s.page(s.pages)...)
		s.pages++
	}
	return s.write("data/catalogue.dat", b, 0o600)
}

// writeWAL writes the write-ahead log anew.
func (s *service) writeWAL() error {
	var b bytes.Buffer
	for range logPages {
		b.Write(s.page(s.random.IntN(cataloguePages)))
	}
	return s.write("data/catalogue.wal", b.Bytes(), 0o600)
}

// writeLog appends to the log that people read.
func (s *service) writeLog() error {
	path := filepath.Join(s.dir, "log", "seedbank.log")
	b, err := os.ReadFile(path)
	if err != nil && s.step > 0 {
		return err
	}
	at := s.now().AddDate(0, -1, 0)
	for range 8000 {
		at = at.Add(time.Duration(s.random.IntN(600)) * time.Second)
		b = fmt.Appendf(b, "%s info lent lot %07d to member %05d\n", at.Format(time.RFC3339), s.random.IntN(s.records), s.random.IntN(40000))
	}
	return s.write("log/seedbank.log", b, 0o640)
}
