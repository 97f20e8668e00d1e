package store

// Shrinkage says of a volume that more than half of its members or of its bytes is gone.
type Shrinkage struct {
	Volume                 string // its name in the later capture; where it is Gone, in the earlier one
	Members, MembersBefore uint64
	Bytes, BytesBefore     uint64
	Gone                   bool // the later capture has no such volume
}

// FewMembers tells whether more than half of the members is gone, and not only of the bytes.
func (s *Shrinkage) FewMembers() bool { return halved(s.MembersBefore, s.Members) }

// Shrunk says of which volumes of before more than half is gone in c. Volumes are paired by their names,
// or as the only ones of both. A nil before has none.
func (c *Capture) Shrunk(before *Capture) (all []Shrinkage) {
	if c == nil || before == nil {
		return nil
	}
	paired := make(map[string]bool)
	for i := range c.Volumes {
		is := &c.Volumes[i]
		was := before.paired(is.Name, len(c.Volumes) == 1)
		if was == nil {
			continue
		}
		paired[was.Name] = true
		if halved(was.Members, is.Members) || halved(was.Bytes, is.Bytes) {
			all = append(all, Shrinkage{Volume: is.Name, Members: is.Members, MembersBefore: was.Members, Bytes: is.Bytes, BytesBefore: was.Bytes})
		}
	}
	for i := range before.Volumes {
		if was := &before.Volumes[i]; !paired[was.Name] && was.Members > 0 {
			all = append(all, Shrinkage{Volume: was.Name, MembersBefore: was.Members, BytesBefore: was.Bytes, Gone: true})
		}
	}
	return all
}

// paired gives the volume of that name, or the only one as that of the other capture is, or nil.
func (c *Capture) paired(name string, only bool) *Volume {
	for i := range c.Volumes {
		if c.Volumes[i].Name == name || only && len(c.Volumes) == 1 {
			return &c.Volumes[i]
		}
	}
	return nil
}

// halved tells whether more than half is gone.
func halved(was, is uint64) bool { return is < was-was/2 }
