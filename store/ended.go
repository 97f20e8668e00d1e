package store

// open fails with ErrClosed after Close.
func (r *Repository) open() error { return r.vault.Open() }

// afresh gives the repository without anything that was read before, and without
// copies on this machine.
func (r *Repository) afresh() (*Repository, error) {
	s, err := r.stock.Afresh()
	if err != nil {
		return nil, err
	}
	return over(s), nil
}
