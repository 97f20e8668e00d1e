package main

import (
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/metrics"
	"github.com/kistarchive/kist/store"
)

// statusJSON is how all is, as scripts get it.
type statusJSON struct {
	Well     bool                `json:"well"`
	Wanted   []wantJSON          `json:"wanted"` // the worst first
	At       time.Time           `json:"at"`
	Services []serviceJSON       `json:"services"`
	Verified *store.Verification `json:"verified,omitempty"`
	Full     *store.Verification `json:"verified_full,omitempty"`
	Damage   *store.Verification `json:"damage_found,omitempty"`
	Held     []heldJSON          `json:"held"`
	Retired  []heldJSON          `json:"retired"`
	Stored   int64               `json:"stored_bytes"`
	Places   []placeJSON         `json:"places"`               // other places, as far as this machine knows
	Free     *int64              `json:"free_bytes,omitempty"` // left out where nothing tells
	Unread   []string            `json:"unreadable"`
	Earlier  []string            `json:"earlier,omitempty"` // captures that an earlier index file tells of
	Own      []string            `json:"own,omitempty"`     // damaged marks of which place this is, and of its settings
	Missing  []string            `json:"missing"`
	Ahead    float64             `json:"medium_ahead_seconds,omitempty"`
	Upgrades []openJSON          `json:"upgrades"` // those that are not at their ends
	Stopped  []openJSON          `json:"stopped"`
	Aside    int                 `json:"set_aside"` // entries
}

type wantJSON struct {
	Kind string `json:"kind"`
	Name string `json:"name,omitempty"`
	Host string `json:"host,omitempty"`
	Text string `json:"text"`
}

type serviceJSON struct {
	Name      string           `json:"name"`
	Host      string           `json:"host"`
	Captures  int              `json:"captures"`
	Last      *lastJSON        `json:"last,omitempty"`
	Shrunk    []shrunkJSON     `json:"shrunk"`
	Future    []string         `json:"future"` // ids
	Rehearsed *store.Rehearsal `json:"rehearsed,omitempty"`
	Rehearsal string           `json:"rehearsed_capture,omitempty"`
	Held      int              `json:"held"`
	Retired   int              `json:"retired"`
}

type lastJSON struct {
	ID      string        `json:"id"`
	Version string        `json:"version"`
	Taken   time.Time     `json:"taken"`
	Age     float64       `json:"age_seconds"`
	Members uint64        `json:"members"`
	Bytes   uint64        `json:"bytes"`
	Added   uint64        `json:"added_bytes"`
	Doubts  []store.Doubt `json:"doubts"`
}

type shrunkJSON struct {
	Volume        string `json:"volume"`
	Members       uint64 `json:"members"`
	MembersBefore uint64 `json:"members_before"`
	Bytes         uint64 `json:"bytes"`
	BytesBefore   uint64 `json:"bytes_before"`
	Gone          bool   `json:"gone,omitempty"`
}

type heldJSON struct {
	ID    string    `json:"id"`
	Name  string    `json:"name"`
	Host  string    `json:"host"`
	Until time.Time `json:"restorable_until,omitzero"`
}

// placeJSON is another place of the repository.
type placeJSON struct {
	Place    string       `json:"place"`
	Where    string       `json:"where"`
	At       time.Time    `json:"copied_at"`
	Last     string       `json:"last,omitempty"` // capture
	Age      *float64     `json:"age_seconds,omitempty"`
	Services []copiedJSON `json:"services"`
}

type copiedJSON struct {
	Name string   `json:"name"`
	Host string   `json:"host"`
	Last string   `json:"last,omitempty"`
	Age  *float64 `json:"age_seconds,omitempty"`
}

func placeList(all []store.PlaceStatus) []placeJSON {
	list := []placeJSON{}
	for _, p := range all {
		j := placeJSON{Place: p.Place, Where: p.Where, At: p.At, Services: []copiedJSON{}}
		j.Last, j.Age = copiedLast(p.Last, p.Age)
		for _, s := range p.Services {
			one := copiedJSON{Name: s.Name, Host: s.Host}
			one.Last, one.Age = copiedLast(s.Last, s.Age)
			j.Services = append(j.Services, one)
		}
		list = append(list, j)
	}
	return list
}

func copiedLast(c *store.Capture, age time.Duration) (string, *float64) {
	if c == nil {
		return "", nil
	}
	seconds := age.Seconds()
	return c.ID, &seconds
}

type openJSON struct {
	Name   string    `json:"name"`
	Since  time.Time `json:"since"`
	Step   string    `json:"step,omitempty"`
	AtWork bool      `json:"at_work"`
}

func newStatusJSON(s *state, wanted []want) statusJSON {
	j := statusJSON{
		Well: len(wanted) == 0, Wanted: []wantJSON{}, At: s.At, Services: []serviceJSON{}, Verified: s.Verified, Full: s.Full, Damage: s.Damage,
		Held: heldList(s.Held, 0), Retired: heldList(s.Retired, s.grace), Stored: s.Stored, Unread: orNone(s.Unread), Missing: orNone(s.Missing), Earlier: s.Earlier, Own: s.Own,
		Ahead: s.Ahead.Seconds(), Upgrades: []openJSON{}, Stopped: []openJSON{}, Aside: len(s.aside), Places: placeList(s.Places),
	}
	if s.free >= 0 {
		j.Free = &s.free
	}
	for _, w := range wanted {
		j.Wanted = append(j.Wanted, wantJSON{w.kind, w.name, w.host, w.text})
	}
	for i := range s.Services {
		j.Services = append(j.Services, newServiceJSON(&s.Services[i]))
	}
	for _, u := range s.upgrades {
		j.Upgrades = append(j.Upgrades, openJSON{u.Container, u.Began, string(u.Step), u.AtWork()})
	}
	for _, n := range s.stopped {
		j.Stopped = append(j.Stopped, openJSON{Name: n.Container, Since: n.Since, AtWork: n.AtWork})
	}
	return j
}

func newServiceJSON(s *store.ServiceStatus) serviceJSON {
	j := serviceJSON{Name: s.Name, Host: s.Host, Captures: s.Captures, Shrunk: []shrunkJSON{}, Future: []string{}, Held: s.Held, Retired: s.Retired}
	if c := s.Last; c != nil {
		j.Last = &lastJSON{c.ID, c.Version, c.Taken, s.Age.Seconds(), c.Members, c.Bytes, c.Added, orNone(c.Doubts)}
	}
	for _, lost := range s.Shrunk {
		j.Shrunk = append(j.Shrunk, shrunkJSON{lost.Volume, lost.Members, lost.MembersBefore, lost.Bytes, lost.BytesBefore, lost.Gone})
	}
	for _, c := range s.Future {
		j.Future = append(j.Future, c.ID)
	}
	if s.Rehearsed != nil {
		j.Rehearsed, j.Rehearsal = s.Rehearsed.Rehearsed, s.Rehearsed.ID
	}
	return j
}

func heldList(all []*store.Capture, grace time.Duration) []heldJSON {
	list := []heldJSON{}
	for _, c := range all {
		j := heldJSON{ID: c.ID, Name: c.Name, Host: c.Host}
		if c.Retired != nil {
			j.Until = c.Retired.At.Add(grace)
		}
		list = append(list, j)
	}
	return list
}

// measureStatus tells for --metrics how all is.
func (a *app) measureStatus(s *state, wanted []want) {
	set := a.metrics.Set
	set("well", "Whether nothing was wanted when kist status last looked.", truth(len(wanted) == 0))
	set("wanted", "How many things were wanted when kist status last looked.", float64(len(wanted)))
	set("stored_bytes", "Bytes of all objects of the repository.", float64(s.Stored))
	if s.free >= 0 {
		set("free_bytes", "Bytes free on the repository's medium for users without privileges.", float64(s.free))
	}
	set("held_captures", "Captures that are held.", float64(len(s.Held)))
	set("retired_captures", "Captures that are retired and can be taken back.", float64(len(s.Retired)))
	set("missing_captures", "Captures that vanished or were exchanged.", float64(len(s.Missing)))
	if s.Verified != nil {
		set("verified_timestamp_seconds", "When the whole repository was last verified.", metrics.Seconds(s.Verified.At))
	}
	if s.Full != nil {
		set("verified_full_timestamp_seconds", "When the whole repository was last verified in full.", metrics.Seconds(s.Full.At))
	}
	set("damage_found", "Whether a verification found damage that stands.", truth(s.Damage != nil))
	for i := range s.Services {
		a.measureService(&s.Services[i])
	}
	for _, p := range s.Places {
		for _, one := range p.Services {
			if one.Last != nil {
				set("service_copied_timestamp_seconds", "When the data of the newest capture that is known to be in another place was as captured.", metrics.Seconds(one.Last.Taken), "name", one.Name, "host", one.Host, "where", p.Where)
			}
		}
	}
}

func (a *app) measureService(s *store.ServiceStatus) {
	set := func(name, help string, value float64) {
		a.metrics.Set("service_"+name, help, value, "name", s.Name, "host", s.Host)
	}
	set("captures", "Captures of the service that are not retired.", float64(s.Captures))
	set("shrunk", "Whether more than half of a volume is gone in the last capture.", truth(len(s.Shrunk) > 0))
	if s.Last != nil {
		set("taken_timestamp_seconds", "When the data of the last capture was as captured, unless that is dated in the future.", metrics.Seconds(s.Last.Taken))
		set("size_bytes", "Length of the streams of the last capture.", float64(s.Last.Bytes))
	}
	if s.Rehearsed != nil {
		set("rehearsed_timestamp_seconds", "When a capture of the service was last rehearsed.", metrics.Seconds(s.Rehearsed.Rehearsed.At))
		set("rehearsed_success", "Whether that went well.", truth(s.Rehearsed.Rehearsed.Outcome.Good()))
	}
}
