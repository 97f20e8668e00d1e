package store

import "slices"

// WantKind says what is amiss.
type WantKind string

// What may be amiss, the worst first.
const (
	WantRepair     WantKind = "damage"    // a verification found damage that stands, or index files can't be read
	WantOwn        WantKind = "place"     // what a place has about itself, which one it is and its settings, is damaged
	WantMissing    WantKind = "missing"   // captures vanished or were exchanged
	WantRehearsal  WantKind = "rehearsal" // the latest rehearsal of a service failed
	WantCapture    WantKind = "none"      // there is no capture of a service, or none at all
	WantNewCapture WantKind = "old"       // the last one is too old
	WantCopy       WantKind = "copy"      // the newest one in another place is too old
	WantLook       WantKind = "shrunk"    // more than half of a volume is gone
	WantClock      WantKind = "future"    // captures are dated in the future
)

// Damage tells whether it means that what is stored is damaged or gone.
func (k WantKind) Damage() bool { return k == WantRepair || k == WantOwn || k == WantMissing }

// Want is something that somebody should see to.
type Want struct {
	Kind    WantKind
	Service *ServiceStatus // nil: it is about the repository
	Place   *PlaceStatus   // of WantCopy
}

// wanted says what is amiss, the worst first.
func (s *Status) wanted(o StatusOptions) (all []Want) {
	if s.Damage != nil || len(s.Unread)+len(s.Earlier) > 0 {
		all = append(all, Want{Kind: WantRepair})
	}
	if len(s.Own) > 0 {
		all = append(all, Want{Kind: WantOwn})
	}
	if len(s.Missing) > 0 {
		all = append(all, Want{Kind: WantMissing})
	}
	if !slices.ContainsFunc(s.Services, func(one ServiceStatus) bool { return one.Captures > 0 }) {
		all = append(all, Want{Kind: WantCapture})
	}
	for _, kind := range []WantKind{WantRehearsal, WantCapture, WantNewCapture, WantCopy, WantLook, WantClock} {
		for i := range s.Services {
			if one := &s.Services[i]; one.wants(kind, o) {
				all = append(all, Want{Kind: kind, Service: one})
			}
		}
		if kind == WantCopy {
			all = append(all, s.wantedCopies(o)...)
		}
	}
	return all
}

// wantedCopies says which services have no capture in another place that is new enough.
func (s *Status) wantedCopies(o StatusOptions) (all []Want) {
	for i := range s.Places {
		p := &s.Places[i]
		for _, copied := range p.Services {
			at := slices.IndexFunc(s.Services, func(one ServiceStatus) bool { return one.Name == copied.Name && one.Host == copied.Host })
			if at < 0 || s.Services[at].Captures == 0 || o.OlderThan == 0 || copied.Last != nil && copied.Age <= o.OlderThan {
				continue
			}
			all = append(all, Want{Kind: WantCopy, Service: &s.Services[at], Place: p})
		}
	}
	return all
}

// wants tells whether something is amiss with a service. Of one of which all captures were retired nothing is: somebody
// wanted that, as a rotation never does it.
func (s *ServiceStatus) wants(kind WantKind, o StatusOptions) bool {
	if s.Captures == 0 {
		return false
	}
	switch kind {
	case WantRehearsal:
		return s.Rehearsed != nil && !s.Rehearsed.Rehearsed.Outcome.Good()
	case WantCapture:
		return s.Last == nil // all are dated in the future
	case WantNewCapture:
		return s.Last != nil && o.OlderThan > 0 && s.Age > o.OlderThan
	case WantLook:
		return len(s.Shrunk) > 0
	case WantClock:
		return len(s.Future) > 0 && s.Last != nil
	}
	return false
}
