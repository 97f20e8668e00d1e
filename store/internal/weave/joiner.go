package weave

import "github.com/kistarchive/kist/store/internal/format"

// Joiner joins runs that continue each other.
type Joiner struct {
	Yield func(format.Run) error
	run   format.Run
}

func (j *Joiner) Add(r format.Run) error {
	last := &j.run
	if last.Count > 0 && last.Times == 1 && r.Times == 1 && last.Slab == r.Slab && last.First+last.Count == r.First {
		last.Count += r.Count
		return nil
	}
	if err := j.End(); err != nil {
		return err
	}
	j.run = r
	return nil
}

func (j *Joiner) End() error {
	if j.run.Count == 0 {
		return nil
	}
	run := j.run
	j.run = format.Run{}
	return j.Yield(run)
}
