package ledger

import (
	"time"

	"github.com/kistarchive/kist/store/internal/format"
)

// NewMarkRecord gives what a hold or a retirement says: who made it, when, and why.
func NewMarkRecord(host, reason string) *format.MarkRecord {
	return &format.MarkRecord{Made: time.Now().UTC().Truncate(time.Millisecond), Host: host, Reason: reason}
}
