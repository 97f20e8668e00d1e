package replicate

import (
	"sync"

	"github.com/kistarchive/kist/store/internal/vault"
)

// meter reports what several workers did.
type meter struct {
	mu sync.Mutex
	m  *vault.Meter
}

func (m *meter) expect(n int64) { m.m.Expect(n) }

func (m *meter) add(n int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.m.Add(n, false)
}

func (m *meter) done() { m.m.Done() }
