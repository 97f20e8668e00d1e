package vault

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

const maxManifest = 64 << 10

const recheckOff = "off"

// manifest is the content of kist.json, the one readable file.
type manifest struct {
	Format  int                `json:"kist_format"`
	ID      crypt.RepositoryID `json:"id"`
	Made    time.Time          `json:"made"`
	Average int                `json:"chunk_average"`
	Grace   int64              `json:"grace_seconds,omitempty"` // 0: DefaultGrace
	Recheck string             `json:"recheck,omitempty"`       // "off": see Settings.NoRecheck; "": on
	Apart   string             `json:"apart,omitempty"`
	Seal    string             `json:"seal"` // see message

	raw []byte // as it was read
}

// message is what the seal authenticates: the other fields, in text. Whoever
// changes them lacks the key to seal them again.
func (m *manifest) message() []byte {
	b := fmt.Appendf(nil, "kist format %d\nid %s\nmade %s\nchunk average %d\n",
		m.Format, m.ID, m.Made.UTC().Format(time.RFC3339), m.Average)
	if m.Grace != 0 {
		b = fmt.Appendf(b, "grace %d\n", m.Grace)
	}
	if m.Recheck != "" {
		b = fmt.Appendf(b, "recheck %s\n", m.Recheck)
	}
	if m.Apart != Together {
		b = fmt.Appendf(b, "apart %s\n", m.Apart)
	}
	return b
}

func (m *manifest) seal(keys *crypt.Keys) []byte {
	mac := keys.ManifestMAC(m.message())
	m.Seal = hex.EncodeToString(mac[:])
	return m.encode()
}

func (m *manifest) encode() []byte {
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		panic(err) // nothing in it can fail
	}
	return append(b, '\n')
}

// written gives the bytes of kist.json, the same in every place.
func (m *manifest) written() []byte {
	if m.raw == nil {
		return m.encode()
	}
	return m.raw
}

func (m *manifest) check(keys *crypt.Keys) error {
	if err := keys.Wiped(); err != nil {
		return err
	}
	mac, err := hex.DecodeString(m.Seal)
	if err != nil || len(mac) != 32 || hex.EncodeToString(mac) != m.Seal || !keys.CheckManifest(m.message(), [32]byte(mac)) {
		return &ObjectError{names.Manifest, fmt.Errorf("%w: it is not as it was written", format.ErrDamaged)}
	}
	return nil
}

// grace gives the grace time.
func (m *manifest) grace() time.Duration {
	if m.Grace == 0 {
		return DefaultGrace
	}
	return time.Duration(m.Grace) * time.Second
}

func (m *manifest) params(keys *crypt.Keys) (chunk.Params, error) {
	polynomial, err := chunk.DerivePolynomial(keys.BoundarySource())
	if err != nil {
		return chunk.Params{}, err
	}
	p := chunk.Params{Average: m.Average, Polynomial: polynomial}
	return p, p.Validate()
}

// readManifest reads kist.json. Its format version is looked at before anything
// else.
func readManifest(ctx context.Context, st storage.Storage) (*manifest, error) {
	b, err := readAll(ctx, st, names.Manifest, maxManifest)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, fmt.Errorf("%w here: there is no %s", ErrNoRepository, names.Manifest)
	}
	if err != nil {
		return nil, err
	}
	return parseManifest(b)
}

// spareManifest reads the second copy of kist.json.
func spareManifest(ctx context.Context, st storage.Storage) (*manifest, error) {
	b := spareOf(ctx, st, names.Manifest, maxManifest)
	if b == nil {
		return nil, ErrNoRepository
	}
	return parseManifest(b)
}

func parseManifest(b []byte) (*manifest, error) {
	var version struct {
		Format int `json:"kist_format"`
	}
	if err := json.Unmarshal(b, &version); err != nil || version.Format == 0 {
		return nil, &ObjectError{names.Manifest, fmt.Errorf("%w: it is not readable", format.ErrDamaged)}
	}
	if version.Format != format.Version {
		return nil, fmt.Errorf("%s: %w %d: this release reads %d, a newer one is needed",
			names.Manifest, format.ErrUnknownVersion, version.Format, format.Version)
	}
	var m manifest
	d := json.NewDecoder(bytes.NewReader(b))
	if err := d.Decode(&m); err != nil {
		return nil, &ObjectError{names.Manifest, fmt.Errorf("%w: %v", format.ErrDamaged, err)}
	}
	if err := checkAverage(m.Average); err != nil {
		return nil, &ObjectError{names.Manifest, fmt.Errorf("%w: %w", format.ErrDamaged, err)}
	}
	if m.Grace < 0 || m.Grace > int64(maxGrace/time.Second) {
		return nil, &ObjectError{names.Manifest, fmt.Errorf("%w: a grace time of %d seconds", format.ErrDamaged, m.Grace)}
	}
	if m.Recheck != "" && m.Recheck != recheckOff {
		return nil, &ObjectError{names.Manifest, fmt.Errorf("%w: recheck %q", format.ErrDamaged, m.Recheck)}
	}
	if !knownApart(m.Apart) {
		return nil, fmt.Errorf("%s: %w: captures apart in the way %.40q: this release does not know it, a newer one is needed", names.Manifest, format.ErrUnknownVersion, m.Apart)
	}
	m.raw = b
	return &m, nil
}
