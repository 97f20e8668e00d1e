package store

// open fails with ErrClosed after Close.
func (r *Repository) open() error { return r.vault.Open() }
