package store_test

import (
	"fmt"
	"path"
	"strings"
)

// secondMark is a hold, a retirement, or what ends one, section 10.
type secondMark struct {
	Made   string `cbor:"1,keyasint"`
	Host   string `cbor:"2,keyasint,omitempty"`
	Reason string `cbor:"3,keyasint,omitempty"`
}

// secondLease is a lease, section 10.
type secondLease struct {
	Began   string `cbor:"1,keyasint"`
	Host    string `cbor:"2,keyasint,omitempty"`
	Work    string `cbor:"3,keyasint"`
	Name    string `cbor:"4,keyasint,omitempty"`
	Process string `cbor:"5,keyasint,omitempty"`
}

// secondBatch is a mark of what is to go, goes, is gone or is harmed, section 10.
type secondBatch struct {
	Made     string       `cbor:"1,keyasint"`
	Slabs    [][]byte     `cbor:"2,keyasint,omitempty"`
	Captures []string     `cbor:"3,keyasint,omitempty"`
	Harmed   []secondSpot `cbor:"4,keyasint,omitempty"`
	Hashes   [][]byte     `cbor:"5,keyasint,omitempty"`
}

// secondSpot is what is harmed of a slab: null frames are all of it.
type secondSpot struct {
	_      struct{} `cbor:",toarray"`
	Slab   []byte
	Frames []uint64
}

// secondRehearsal is the record of a rehearsal, section 10.
type secondRehearsal struct {
	Ended   string   `cbor:"1,keyasint"`
	Host    string   `cbor:"2,keyasint,omitempty"`
	Fault   string   `cbor:"3,keyasint,omitempty"`
	Took    uint64   `cbor:"4,keyasint"`
	Outcome string   `cbor:"5,keyasint"`
	Checked []string `cbor:"6,keyasint,omitempty"`
}

// secondSite is the mark of a place, section 10.
type secondSite struct {
	Made string `cbor:"1,keyasint"`
	Host string `cbor:"2,keyasint,omitempty"`
}

// secondElsewhere names captures that are elsewhere, section 10.
type secondElsewhere struct {
	Made     string   `cbor:"1,keyasint"`
	Host     string   `cbor:"2,keyasint,omitempty"`
	Captures []string `cbor:"3,keyasint"`
	Hashes   [][]byte `cbor:"4,keyasint"`
}

func (e *secondElsewhere) check() error {
	if len(e.Captures) == 0 || len(e.Captures) != len(e.Hashes) {
		return fmt.Errorf("%d captures and %d hashes", len(e.Captures), len(e.Hashes))
	}
	for _, h := range e.Hashes {
		if len(h) != 32 {
			return fmt.Errorf("a hash of %d bytes", len(h))
		}
	}
	return nil
}

// secondRetirement is a retirement of several captures, section 10.
type secondRetirement struct {
	Made     string   `cbor:"1,keyasint"`
	Host     string   `cbor:"2,keyasint,omitempty"`
	Reason   string   `cbor:"3,keyasint,omitempty"`
	Captures []string `cbor:"4,keyasint"`
}

// secondBundle is a bundle of index files, section 10.
type secondBundle struct {
	Names   []string `cbor:"1,keyasint"`
	Objects [][]byte `cbor:"2,keyasint"`
}

// marks reads all marks and gives their names by what each kind says, such as "hold" or "batch .gone".
func (r *secondReader) marks() (map[string][]string, error) {
	all := map[string][]string{}
	for folder, kind := range map[string]string{"holds": "hold", "retired": "retired", "leases": "lease", "condemned": "batch", "rehearsed": "rehearsal", "place": "place", "elsewhere": "elsewhere", "bundles": "bundle"} {
		names, err := r.list(folder)
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			record, ending := any(&secondMark{}), path.Ext(name)
			kind := kind
			if ending == ".several" {
				kind = "retirement"
			}
			switch kind {
			case "retirement":
				record, ending = &secondRetirement{}, ""
			case "bundle":
				record, ending = &secondBundle{}, ""
			case "lease":
				record, ending = &secondLease{}, ""
			case "batch":
				record = &secondBatch{}
			case "rehearsal":
				record, ending = &secondRehearsal{}, ""
			case "place":
				record = &secondSite{}
				if strings.Contains(name, ".settings") {
					kind, record = "settings", &secondSettings{}
				}
				ending = ""
			case "elsewhere":
				record, ending = &secondElsewhere{}, ""
			default:
				if ending != ".released" && ending != ".undone" {
					ending = ""
				}
			}
			if err := r.mark(kind, name, record); err != nil {
				return nil, err
			}
			if s, ok := record.(*secondSettings); ok && s.Parity > 20 {
				return nil, fmt.Errorf("%s: parity of %d %%", name, s.Parity)
			}
			if b, ok := record.(*secondBundle); ok {
				if err := b.check(r); err != nil {
					return nil, fmt.Errorf("%s: %w", name, err)
				}
			}
			if e, ok := record.(*secondElsewhere); ok {
				if err := e.check(); err != nil {
					return nil, fmt.Errorf("%s: %w", name, err)
				}
			}
			what := strings.TrimSpace(kind + " " + ending)
			all[what] = append(all[what], name)
		}
	}
	return all, nil
}

// mark reads one mark.
func (r *secondReader) mark(kind, name string, record any) error {
	o, err := r.object(kind, name)
	if err != nil {
		return err
	}
	plain, err := o.open(secondRecord, 0, o.body)
	if err != nil {
		return err
	}
	if err := secondRecordInto(plain, record); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// latest gives the names of the index files that count: of each capture the highest generation.
func (r *secondReader) latest() (names []string, err error) {
	all, err := r.list("captures")
	if err != nil {
		return nil, err
	}
	for _, name := range all { // sorted, and here of less than ten generations
		id, _, _ := strings.Cut(name, ".")
		if n := len(names); n > 0 && strings.HasPrefix(names[n-1]+".", id+".") {
			names = names[:n-1]
		}
		names = append(names, name)
	}
	return names, nil
}
