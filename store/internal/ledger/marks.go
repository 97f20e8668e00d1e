package ledger

import (
	"time"

	"github.com/kistarchive/kist/store/internal/format"
)

func NewMarkRecord(host, reason string) *format.MarkRecord {
	return &format.MarkRecord{Made: time.Now().UTC().Truncate(time.Millisecond), Host: host, Reason: reason}
}
