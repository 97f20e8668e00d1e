package store

import "github.com/kistarchive/kist/store/internal/vault"

// newMeter gives a meter that reports to whoever called.
func newMeter(report func(Progress)) *vault.Meter {
	if report == nil {
		return vault.NewMeter(nil)
	}
	return vault.NewMeter(func(p vault.Progress) { report(Progress(p)) })
}
