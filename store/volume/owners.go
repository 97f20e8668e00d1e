package volume

import (
	"os/user"
	"strconv"
)

// owners looks up users and groups on this machine and remembers the answers, known or not. It is
// bounded since a stream may name any number of them.
type owners struct {
	users, groups map[string]int // by name; -1 is unknown
	userNames     map[int]string // by number
	groupNames    map[int]string
}

// maxOwners is how many answers of each kind are kept.
const maxOwners = 4096

func newOwners() *owners {
	return &owners{
		users: make(map[string]int), groups: make(map[string]int),
		userNames: make(map[int]string), groupNames: make(map[int]string),
	}
}

// remember returns what the map knows of key, or asks.
func remember[K comparable, V any](known map[K]V, key K, ask func() V) V {
	if v, ok := known[key]; ok {
		return v
	}
	if len(known) >= maxOwners {
		clear(known)
	}
	v := ask()
	known[key] = v
	return v
}

func numberOr(s string, err error) int {
	if err != nil {
		return -1
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		return -1
	}
	return n
}

func (o *owners) user(name string) (int, bool) {
	id := remember(o.users, name, func() int {
		u, err := user.Lookup(name)
		if err != nil {
			return -1
		}
		return numberOr(u.Uid, nil)
	})
	return id, id >= 0
}

func (o *owners) group(name string) (int, bool) {
	id := remember(o.groups, name, func() int {
		g, err := user.LookupGroup(name)
		if err != nil {
			return -1
		}
		return numberOr(g.Gid, nil)
	})
	return id, id >= 0
}

func (o *owners) userName(uid int) string {
	return remember(o.userNames, uid, func() string {
		u, err := user.LookupId(strconv.Itoa(uid))
		if err != nil {
			return ""
		}
		return u.Username
	})
}

func (o *owners) groupName(gid int) string {
	return remember(o.groupNames, gid, func() string {
		g, err := user.LookupGroupId(strconv.Itoa(gid))
		if err != nil {
			return ""
		}
		return g.Name
	})
}
