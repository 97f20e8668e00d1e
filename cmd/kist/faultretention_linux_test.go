package main

// retentionFaults are those of the commands that mark, reclaim and repair. Afterwards
// the same command does its work.
func retentionFaults() []systemFault {
	slabs := foldersOf("slabs")
	retire := killRow{prepare: (*killCase).retireID, settled: (*killCase).areRetired}
	rules := killRow{prepare: (*killCase).retireByRules, settled: (*killCase).areRetired}
	undo := killRow{prepare: (*killCase).undo, settled: (*killCase).isTakenBack}
	hold := killRow{prepare: (*killCase).hold, settled: (*killCase).isHeld}
	release := killRow{prepare: (*killCase).release, settled: (*killCase).isReleased}
	rests := killRow{prepare: (*killCase).reclaimRests, settled: (*killCase).isTidy}
	whole := killRow{prepare: (*killCase).reclaimSlabs, settled: (*killCase).isTidy}
	tables := killRow{prepare: (*killCase).repairTables, settled: (*killCase).hasTables}
	heal := killRow{prepare: (*killCase).repairSlab, settled: (*killCase).isHealed}
	return []systemFault{
		{"a capture can't be marked as retired", retire, "renameat", "EROFS", []string{"retired"}, "retired", false},
		{"what is retired can't be flushed", rules, "fsync", "EIO", []string{"retired"}, "retired/", false},
		{"a mark can't be moved into place", rules, "renameat", "ENOSPC", []string{"retired"}, "retired/", false},
		{"a retirement can't be taken back", undo, "unlinkat", "EIO", []string{"retired"}, "retired/", false},
		{"a lease can't be put", undo, "renameat", "ENOSPC", []string{"leases"}, "leases/", false},
		{"a lease can't be removed", hold, "unlinkat", "EIO", []string{"leases"}, "", true},
		{"a hold can't be made", hold, "openat", "EROFS", []string{"holds"}, "holds", false},
		{"a hold can't be flushed", hold, "fsync", "EIO", []string{"holds"}, "holds/", false},
		{"a hold can't be removed", release, "unlinkat", "EIO", []string{"holds"}, "holds/", false},
		{"what goes can't be named", whole, "renameat", "ENOSPC", []string{"condemned"}, "condemned/", false},
		{"what goes can't be listed", whole, "getdents64", "EIO", []string{"condemned"}, "condemned", false},
		{"an index file can't be removed", whole, "unlinkat", "EIO", []string{"captures"}, "captures/", false},
		{"a slab can't be removed", whole, "unlinkat", "EIO", slabs, "slabs/", false},
		{"a stale table can't be removed", whole, "unlinkat", "EIO", []string{"tables"}, "tables/", false},
		{"a merged table can't be put", whole, "renameat", "ENOSPC", []string{"tables"}, "tables/", false},
		{"a mark of what is gone can't be removed", whole, "unlinkat", "EIO", []string{"condemned"}, "condemned/", false},
		{"a lease of a reclaim can't be removed", whole, "unlinkat", "EIO", []string{"leases"}, "", true},
		{"slabs can't be listed for a rest", rests, "openat", "EIO", slabs, "slabs", false},
		{"a rest can't be moved into place", rests, "renameat", "ENOSPC", slabs, "slabs/", false},
		{"a rest can't be flushed", rests, "fsync", "EIO", slabs, "slabs/", false},
		{"a new index file can't be moved into place", rests, "renameat", "EIO", []string{"captures"}, "captures/", false},
		{"the index file before it can't be removed", rests, "unlinkat", "EIO", []string{"captures"}, "captures/", false},
		{"a rebuilt table can't be put", tables, "renameat", "ENOSPC", []string{"tables"}, "tables/", false},
		{"a healed index file can't be put", heal, "renameat", "ENOSPC", []string{"captures"}, "captures/", false},
		{"a lease of a repair can't be flushed", heal, "fsync", "EIO", []string{"leases"}, "leases/", false},
	}
}
