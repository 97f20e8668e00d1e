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

// Shrunk says of which volumes of before more than half is gone in c, by the pairs of [PairVolumes]. A nil before has none.
func (c *Capture) Shrunk(before *Capture) (all []Shrinkage) {
	if c == nil || before == nil {
		return nil
	}
	for _, p := range PairVolumes(before, c) {
		switch was, is := p.Was, p.Is; {
		case was == nil:
		case is == nil:
			if was.Members > 0 {
				all = append(all, Shrinkage{Volume: was.Name, MembersBefore: was.Members, BytesBefore: was.Bytes, Gone: true})
			}
		case halved(was.Members, is.Members) || halved(was.Bytes, is.Bytes):
			all = append(all, Shrinkage{Volume: is.Name, Members: is.Members, MembersBefore: was.Members, Bytes: is.Bytes, BytesBefore: was.Bytes})
		}
	}
	return all
}

// halved tells whether more than half is gone.
func halved(was, is uint64) bool { return is < was-was/2 }
