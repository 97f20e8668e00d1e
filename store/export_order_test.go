package store

// HasOrder tells whether a volume has an order of its members.
func HasOrder(v *Volume) bool { return v.record.Order != nil }
