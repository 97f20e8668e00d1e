package store

import (
	"cmp"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/remember"
)

// PlaceStatus says what this machine knows of another place of the repository: which captures
// are there, by what it copied itself or saw there. It asks that place for nothing, and what other machines copied it does
// not know.
type PlaceStatus struct {
	Place string    // its identity; "": the first place
	Where string    // what ReplicateOptions.Where said last
	At    time.Time // when this machine last copied captures there
	// Last is the newest capture that is there and here, of those that are not dated in the future, and Age how
	// long ago it was taken; nil: none is known.
	Last *Capture
	Age  time.Duration
	// Services are those of Status.Services of which there are captures here, in that order.
	Services []CopiedService
}

// CopiedService says the same of the captures of one name and host.
type CopiedService struct {
	Name, Host string
	Last       *Capture
	Age        time.Duration
}

// placesOf tells of the other places that this machine knows.
func (r *Repository) placesOf(captures []*Capture, now time.Time) (all []PlaceStatus) {
	memory := r.ledger.Watch().Memory
	for _, p := range memory.Places() {
		there, err := memory.Of(p.ID)
		if err != nil {
			continue // as if nothing were known: then everything is too old
		}
		s := PlaceStatus{Place: p.ID, Where: p.Where, At: p.At}
		for _, c := range captures {
			known, ok := there.Find(c.ID)
			if ok && known.Kind != remember.Gone && known.Hash == c.captured.Hash() && !future(c.Taken, now) {
				s.add(c, now)
			} else if c.Retired == nil {
				s.service(c)
			}
		}
		slices.SortFunc(s.Services, func(a, b CopiedService) int {
			return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.Host, b.Host))
		})
		all = append(all, s)
	}
	return all
}

// Service gives what is known of the captures of a name and host; nil: they have none here.
func (s *PlaceStatus) Service(name, host string) *CopiedService {
	for i := range s.Services {
		if one := &s.Services[i]; one.Name == name && one.Host == host {
			return one
		}
	}
	return nil
}

// service gives the entry of a capture's service.
func (s *PlaceStatus) service(c *Capture) *CopiedService {
	if one := s.Service(c.Name, c.Host); one != nil {
		return one
	}
	s.Services = append(s.Services, CopiedService{Name: c.Name, Host: c.Host})
	return &s.Services[len(s.Services)-1]
}

// add takes in a capture that is there.
func (s *PlaceStatus) add(c *Capture, now time.Time) {
	one := s.service(c)
	if one.Last == nil || c.Taken.After(one.Last.Taken) {
		one.Last, one.Age = c, max(now.Sub(c.Taken), 0)
	}
	if s.Last == nil || c.Taken.After(s.Last.Taken) {
		s.Last, s.Age = c, max(now.Sub(c.Taken), 0)
	}
}
