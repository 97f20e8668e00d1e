package serve

import (
	"cmp"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// service is the captures of a name and a host, to choose from.
type service struct {
	Name, Host string
	Captures   []*store.Capture // the newest first
}

// byAge orders captures, the newest first.
func byAge(a, b *store.Capture) int {
	return cmp.Or(b.Taken.Compare(a.Taken), cmp.Compare(b.ID, a.ID))
}

// servicesOf gives captures by their services, those first that were captured last.
func servicesOf(captures []*store.Capture) (all []service) {
	for _, c := range slices.SortedFunc(slices.Values(captures), byAge) {
		i := slices.IndexFunc(all, func(s service) bool { return s.Name == c.Name && s.Host == c.Host })
		if i < 0 {
			i, all = len(all), append(all, service{Name: c.Name, Host: c.Host})
		}
		all[i].Captures = append(all[i].Captures, c)
	}
	return all
}

// Label names a service among others.
func (s service) Label() string {
	if s.Host == "" {
		return screen.Printable(s.Name)
	}
	return screen.Printable(s.Name) + " on " + screen.Printable(s.Host)
}

// choices is captures to choose from, and the one that is chosen; "": the first.
type choices struct {
	Services []service
	Chosen   string
}

// choice names a capture by its service, since a closed list shows no more than that, by its version and its date, and by its
// id, which is unique. What a narrow window cuts is the id, which stands
// whole above what differs.
func choice(c *store.Capture) string {
	text := screen.LocalTime(c.Taken) + ", " + c.ID
	if c.Version != "" {
		text = screen.Printable(c.Version) + ", " + text
	}
	if c.Name != "" {
		text = screen.Printable(c.Name) + " " + text
	}
	if c.Retired != nil {
		text += ", retired"
	}
	return text
}
