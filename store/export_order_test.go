package store

import "github.com/kistarchive/kist/store/internal/format"

// HasOrder tells whether a volume has an order of its members.
func HasOrder(v *Volume) bool { return v.record.Order != nil }

// OrderOf gives the recipe of a volume's order.
func OrderOf(v *Volume) *format.Recipe { return v.record.Order }

// RecordOf gives the record of a capture.
func RecordOf(c *Capture) *format.IndexFile { return c.captured.IndexFile }
