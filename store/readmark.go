package store

import (
	"time"

	"github.com/kistarchive/kist/store/internal/format"
)

func newMarkRecord(host, reason string) *format.MarkRecord {
	return &format.MarkRecord{Made: time.Now().UTC().Truncate(time.Millisecond), Host: host, Reason: reason}
}
