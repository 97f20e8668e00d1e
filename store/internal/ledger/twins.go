package ledger

import (
	"context"
	"errors"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// findTwins reads the generations below the one that counts. Two that sent one capture at the same time may each have put one:
// they differ in what was known when they began, and are no exchange.
func (r *Ledger) findTwins(ctx context.Context, c *Capture, lower []File) error {
	for _, f := range lower {
		record, err := r.ReadIndexFile(ctx, f.Info)
		if vault.IsDamage(err) || errors.Is(err, storage.ErrNotFound) {
			continue // it does not count, and who verifies says so
		}
		if err != nil {
			return err
		}
		twin := &Capture{IndexFile: record}
		if hash := twin.Hash(); hash != c.Hash() && twin.saying() == c.saying() {
			c.Twins = append(c.Twins, hash)
		}
	}
	return nil
}

// saying is the hash of a capture without what depends on when it was written into a repository.
func (c *Capture) saying() crypt.Digest {
	f := *c.IndexFile
	f.Added, f.Seen, f.Previous = 0, nil, nil
	return f.Hash()
}

// Was tells whether a hash is that of the capture, or of a twin of it.
func (c *Capture) Was(hash crypt.Digest) bool {
	return c.Hash() == hash || slices.Contains(c.Twins, hash)
}
