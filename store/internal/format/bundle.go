package format

// BundleRecord is the record of a bundle: index files as they are, by the last elements of their
// names. Each is sealed as the object is.
type BundleRecord struct {
	Names   []string `cbor:"1,keyasint"`
	Objects [][]byte `cbor:"2,keyasint"`
}

// check holds the fields against each other.
func (b *BundleRecord) check() error {
	if len(b.Names) != len(b.Objects) {
		return damaged("%d objects under %d names", len(b.Objects), len(b.Names))
	}
	for _, o := range b.Objects {
		if len(o) > MaxIndexFile {
			return damaged("an index file of %d bytes", len(o))
		}
	}
	return nil
}
